"""The phone page: plan drawing, live events, buttons."""
