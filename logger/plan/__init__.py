"""Planning: what is wanted of a car, what it will weigh, and what to turn, move, remove or add for it."""
