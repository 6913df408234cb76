"""Statics of a car on four pads: floor, solution, parts, height, perches, ballast; pure."""
