"""The work of each command: the order of the stages, reuse, and the output folder."""
