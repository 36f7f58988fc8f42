"""Pictures and pages: shapes as data first (`plan`), then paint; pages from templates, their values HTML-escaped.

Others use `annotate.annotated_jpeg`, `layout_drawing`, `card_pdf.card_pdf`, `strip_view`, `ink` and `templates`.
"""
