"""What has changed in a zone: features, baseline, signatures of faults, one decision."""
