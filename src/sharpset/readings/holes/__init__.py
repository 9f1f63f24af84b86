"""Holes and discs: model, first guess, fit, marks on the rim, ovals, roundness."""
