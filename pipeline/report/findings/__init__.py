"""What is wrong with a flight, by family: motion, exposure, colour, sharpness, and the card."""
