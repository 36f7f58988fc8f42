"""Draw quizzes that examine people (`papers`), mark the answers (`marking`) and show the result (`feedback`).

`mix` is what a paper is made of, `records` what the library keeps of quizzes.
"""
