"""A case: its inputs, the stages of a plan, and the files that hold the results."""
