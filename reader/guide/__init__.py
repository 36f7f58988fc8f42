"""The guide: short topics in Markdown that ship with linecall, to be listed, read and searched.

Others use `topics`, `topic` and `search`. The files are `reader/data/guide/<name>.md`.
"""

from reader.guide.topics import Hit, Topic, UnknownTopicError, search, topic, topics

__all__ = ["Hit", "Topic", "UnknownTopicError", "search", "topic", "topics"]
