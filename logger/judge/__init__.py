"""`restpoint judge`: what recordings tell about pads, measured, graded, told as table, JSON and page."""
