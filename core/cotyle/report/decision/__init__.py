"""The report's section on decisions: what a plan puts up for decision, part by part."""
