"""What was entered against what was meant: does it match, and if not, the likeliest slips."""
