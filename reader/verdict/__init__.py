"""The verdict (`model.Verdict`): what is in it, its bytes, what it says in words (`in_words`), and what it rests on
(`evidence`).
"""
