"""The guide: short topics in Markdown that ship with linecall, to be listed, read and searched.

Others use `topics`, `topic`, `search` and `PICTURES`. The files are `reader/data/guide/<name>.md`; their pictures
lie in `pictures/` beside them.
"""

from reader.guide.topics import PICTURES, Hit, Topic, UnknownTopicError, search, topic, topics

__all__ = ["PICTURES", "Hit", "Topic", "UnknownTopicError", "search", "topic", "topics"]
