"""The guided weigh-in: which spot takes which pad, what to do next and why, when to stop."""
