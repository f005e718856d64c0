"""Finding the sequences on a card dump: which photos belong together, in which order, with which gaps."""
