"""Where the piece lies: registration, scale, pitch, seams and jumps of the scan."""
