"""What a plan puts up for decision: pure functions from a planned cup, its scan and what the user asked to facts."""
