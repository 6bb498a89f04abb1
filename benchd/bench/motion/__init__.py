"""The carriage in closed loop."""
