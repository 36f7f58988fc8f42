"""What every page of a running station uses: the logbook, its people, the sign-ins, the texts and the clock."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from reader.errors import LinecallError
from reader.library.store import FILE_NAME
from reader.logbook import Logbook
from reader.logbook.people import Person, find_person, people_of
from reader.review.policy import Policy, load_policy
from reader.round import record
from reader.round.site import Site, load_site
from reader.settings.read_settings import ReadSettings, load_settings
from reader.station.answer_strips import Drawn
from reader.station.hints import Hinter
from reader.station.languages import Languages
from reader.station.readers import Readers
from reader.station.signins import SignIn, SignIns
from reader.station.texts import Texts
from reader.station.tokens import Tokens
from reader.station.works import Works
from reader.words.names import Role


def _now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Desk:
    """The station's own things.

    writing : held by whoever writes to the logbook, one request at a time. reopen : opens the logbook anew, for
    reading, to see whether it is still there. texts : in the language of whoever asks, one of `languages`. url : as
    browsers reach the station behind a proxy. library : the folder of graded examples that was named. works : what is
    computed beside the requests. policy : who may decide. site_file : the file that describes the site. tokens : of
    other programs. settings : what photos are read by. readers : the processes that read them; hinter : the one that
    looks at what phones' cameras show. drawn : pictures of the last answers.
    """

    logbook: Logbook
    folder: Path
    reopen: Callable[[], Logbook]
    sign_ins: SignIns
    texts: Texts
    languages: Languages = field(default_factory=Languages)
    url: str | None = None
    library: Path | None = None
    policy: Policy = field(default_factory=load_policy)
    site_file: Path | None = None
    tokens: Tokens | None = None
    settings: ReadSettings = field(default_factory=load_settings)
    readers: Readers = field(default_factory=Readers)
    hinter: Hinter = field(default_factory=Hinter)
    now: Callable[[], datetime] = _now
    writing: threading.Lock = field(default_factory=threading.Lock)
    works: Works = field(default_factory=Works)
    drawn: Drawn = field(default_factory=Drawn)

    def library_folder(self) -> Path:
        """Where the library is, or would be begun: as it was named, else in the station's own folder."""
        return self.library or self.folder / "library"

    def has_library(self) -> bool:
        """Whether there is a library."""
        return (self.library_folder() / FILE_NAME).is_file()

    def person(self, sign_in: SignIn) -> Person | None:
        """Who works at a device now; see `holder_of`."""
        return holder_of(sign_in, people_of(self.logbook))

    def site(self) -> Site:
        """The site as its file describes it now. Raises LinecallError, SettingsError."""
        if self.site_file is None:
            raise LinecallError(
                "this station has no site's file, so no run can begin; name one: linecall serve --set site=site.toml"
            )
        return load_site(self.site_file)

    def runs_by(self, person: str) -> record.Desk:
        """Where somebody writes on runs now."""
        return record.Desk(logbook=self.logbook, site=self.site(), by=person, now=self.now().astimezone())

    def people_with(self, role: Role) -> tuple[Person, ...]:
        """Everybody at work who has a role."""
        return tuple(one for one in people_of(self.logbook) if role in one.roles and one.retired_at is None)


def holder_of(sign_in: SignIn, people: Sequence[Person]) -> Person | None:
    """Who works by a sign-in, of everybody known; None once they have retired, for good: who comes back signs in anew.

    A shared device is the depot's: it stays open for whoever is at work.
    """
    found = find_person(people, sign_in.person)
    if found is None or found.retired_at is not None:
        return None
    is_of_before = found.back_since is not None and sign_in.since < found.back_since
    return None if is_of_before and not sign_in.shared else found
