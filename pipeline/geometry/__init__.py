"""Rotations, cameras and paths as pure functions on arrays."""
