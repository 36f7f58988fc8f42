"""The control chart of a site's own strip: its rules (`rules`, values alone), points (`check`, `store`) and drawing
(`chart`).
"""
