"""Reports to print and hand on: one value says what a report holds, and two writers put it on paper and on a page.

`reading` makes the value of one reading, `period` that of all readings in a time; `pdf` and `page` write either.
"""
