"""A simulated car on simulated pads, writing real bytes."""
