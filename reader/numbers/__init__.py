"""Computed of numbers alone: medians of short rows (`median`), robustly pooled spreads (`spread`)."""
