"""Help: the guide's topics as pages, for anybody."""

from typing import Final

from markdown_it import MarkdownIt
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

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


async def show_picture(request: Request) -> Response:
    """A picture of a topic. Not every Python knows the type of WebP, and browsers take none that is not named."""
    found = {path.name: path for path in PICTURES.glob("*.webp")}.get(request.path_params["name"])
    if found is None:
        raise HTTPException(404)
    return FileResponse(found, media_type="image/webp")


ROUTES: Final = (
    Route("/help", show_topics),
    Route("/help/pictures/{name}", show_picture),
    Route("/help/{name}", show_topic),
)
