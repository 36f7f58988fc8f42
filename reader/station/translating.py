"""The keeper's page of languages: what was found in the site's files, and files to translate, to be saved."""

from typing import Final

from babel import Locale
from babel.core import UnknownLocaleError
from babel.localedata import locale_identifiers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from reader.station import languages
from reader.station.pages import desk_of, page, who


async def show_languages(request: Request) -> Response:
    """Every file of texts with what was found in it when the station started."""
    who(request, "keeper")
    desk = desk_of(request)
    tags = [tag for tag in locale_identifiers() if "_" not in tag and tag not in ("en", "root")]
    known = [(tag, f"{desk.texts.locale.languages.get(tag, tag)} ({tag})") for tag in tags]
    return page(
        request,
        "keep_languages.html",
        reports=desk.languages.reports,
        folder=desk.folder / languages.FOLDER,
        known=sorted(known, key=lambda one: one[1].casefold()),
        named=languages.NAMED_MAX,
    )


async def send_file(request: Request) -> Response:
    """A file to translate: a new one, or a site's own with what is still to be done in it."""
    who(request, "keeper")
    desk, name = desk_of(request), request.path_params["name"]
    tag = request.query_params.get("language", "")[:40] if name == "new" else name
    begun = next(
        (one for one in desk.languages.reports if one.texts is not None and one.texts.language == tag), None
    )
    try:
        locale = Locale.parse(tag, sep="-")
        data = languages.template(tag, begun)
    except (UnknownLocaleError, ValueError, TypeError):
        raise HTTPException(404, desk.texts("keep.language_unknown")) from None
    file = f'attachment; filename="{locale}.po"'
    return Response(data, media_type="text/x-gettext-translation", headers={"Content-Disposition": file})


ROUTES: Final = (
    Route("/keeping/languages", show_languages),
    Route("/keeping/languages/{name}.po", send_file),
)
