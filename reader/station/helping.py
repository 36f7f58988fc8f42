"""Help: the guide's topics as pages, for anybody."""

from typing import Final

from markdown_it import MarkdownIt
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from reader.errors import LinecallError
from reader.guide import PICTURES, search, topic, topics
from reader.station.pages import page

WORDS_MAX: Final = 200
SCROLLING: Final = {
    "<pre>": '<pre tabindex="0">',
    "<table>": '<div class="scroll" tabindex="0"><table>',
    "</table>": "</table></div>",
}


async def show_topics(request: Request) -> Response:
    """All topics with a sentence each, or those that have all the words looked for."""
    words = request.query_params.get("words", "")[:WORDS_MAX].strip()
    found = (
        [(hit.topic, hit.passage) for hit in search(words)]
        if words
        else [(one, one.sentence) for one in topics()]
    )
    return page(
        request, "help.html", words=words, found=[(one, text.replace("`", "")) for one, text in found]
    )


async def show_topic(request: Request) -> Response:
    """One topic."""
    try:
        found = topic(request.path_params["name"])
    except LinecallError as error:
        raise HTTPException(404) from error
    return page(request, "topic.html", topic=found, text=_html(found.text.partition("\n\n")[2]))


def _html(markdown: str) -> str:
    """Markdown as HTML; what is HTML in it is shown as text. What scrolls can be reached by keys."""
    rendered = str(MarkdownIt("commonmark", {"html": False}).enable("table").render(markdown))
    for plain, scrolling in SCROLLING.items():
        rendered = rendered.replace(plain, scrolling)
    return rendered


ROUTES: Final[tuple[BaseRoute, ...]] = (
    Route("/help", show_topics),
    Mount("/help/pictures", StaticFiles(directory=PICTURES)),
    Route("/help/{name}", show_topic),
)
