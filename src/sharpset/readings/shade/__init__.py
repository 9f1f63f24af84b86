"""What a lamp does to walls: shade, lit walls, glint, the lamp's side."""
