"""What a plan puts up for decision: pure functions from a planned cup, its hip and what the user asked to facts."""
