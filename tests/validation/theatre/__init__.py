"""Pictures as a theatre's C-arm shows them, made by an outside projector, to judge registration on."""
