"""The picture in linear light: its curve, noise, background, bleeding light, and what a sensor does to it."""
