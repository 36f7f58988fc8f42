"""A rough pose drawn onto the plate's own edges: `rounds.fit_edges` looks, searches, fits and proves, stage by stage.

In order: `edges` (what a layout's edges are), `sight` and `wells` (what the picture shows there), `search`, `fit`,
`prove`.
"""
