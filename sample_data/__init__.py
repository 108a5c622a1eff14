"""An invented installation and the simulator that makes its readings, with the planted truth beside them."""
