"""What readings mean: pure functions of readings and time, with no clock, file, socket or environment."""
