"""The edges of a square as a camera sees them: their modulation at one frequency, upright and level ones apart."""
