"""Measurements of frames and of pairs of frames, taken on small linear proxies."""
