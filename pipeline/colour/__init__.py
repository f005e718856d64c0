"""Colour science as pure functions on arrays."""
