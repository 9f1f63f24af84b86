"""Edges and strips (slots, bars): edge spread, samples across, fits, marks and dust on them, changes along them."""
