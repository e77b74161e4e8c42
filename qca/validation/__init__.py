"""Many frames with known truth through the measurement: bias, SD, coverage, efficiency."""
