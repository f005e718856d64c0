"""The numbers for the next flight: exposure, course, turns, time, and the light of the sun."""
