"""evenflight: card dumps of drone hyperlapse photographs become steady, even videos."""

__version__ = "0.1.0"
