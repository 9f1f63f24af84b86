"""Gates: what a picture must be for its numbers to be told; the plate and a wire of known size as checks."""
