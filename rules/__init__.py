"""What readings mean: pure functions of readings and time; no clock, file, socket, environment."""
