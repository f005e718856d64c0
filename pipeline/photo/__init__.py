"""Opening one photograph: its metadata, and its pixels as linear camera RGB."""
