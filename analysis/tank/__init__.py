"""A displacement tank's decay, dose and what is left."""
