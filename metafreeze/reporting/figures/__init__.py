"""Kinds of figures, one file each: the numbers, their words, and the drawing."""
