"""From full-size RAW to delivered frames, with one spatial resampling."""
