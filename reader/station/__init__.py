"""linecall as pages in a browser: it shows and sends; every rule, grade and record stays in the other rooms.

`app.station` makes the application, `cli/serve.py` runs it. Nothing outside this room imports Starlette.
"""
