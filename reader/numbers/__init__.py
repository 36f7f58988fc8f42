"""What is computed of numbers alone, and knows nothing of photos or plates.

`geometry` (points and maps of planes), `median` (of short rows), `spread` (robustly pooled), `student` (quantiles of
Student's t), `erf` (the error function), `arrays` (their types).
"""
