"""What is drawn: the car to scale, its wandering centre of mass, the stair of its total, and curves."""
