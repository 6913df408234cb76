"""Zero, rest detection, settle curves and grades; pure."""
