"""The library of graded example images."""
