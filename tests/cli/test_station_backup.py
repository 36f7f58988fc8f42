"""A station that burned down comes back from the keeper's backup by one command, with all that its site needs."""

import json
import re
import sqlite3
import tomllib
import urllib.error
import urllib.request
import zipfile
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from starlette.testclient import TestClient

from cli.main import main
from reader.files.bundled import DATA
from reader.logbook import Logbook
from reader.round.site import load_site
from reader.station.desk import Desk
from reader.station.exams import Exams
from reader.station.looks import Looks
from reader.station.signins import SignIns
from reader.station.tokens import Tokens
from tests.cli.test_serve import serving
from tests.reader.station.depots import ADA, BEN, CLEO, NOW, OURS, browser, depot, developed, signed_in

SPANISH = 'msgid ""\nmsgstr ""\n"Language: es\\n"\n"Content-Type: text/plain; charset=utf-8\\n"\n'


@dataclass(frozen=True, kw_only=True, slots=True)
class Burnt:
    """A station as it was, and its backup: all that is left of it. cookie, token : what opened it."""

    backup: Path
    bodies: list[tuple[int, str, str]]
    files: dict[str, bytes]
    cookie: str
    token: str


@pytest.fixture
def burnt(tmp_path: Path) -> Burnt:
    """A depot with a plan, a layout and a procedure of its own, a policy, a language, and a run under way."""
    before = tmp_path / "before"
    before.mkdir()
    with depot(before) as desk:
        keeper = signed_in(browser(desk), desk, ADA)
        desk = with_files_of_its_own(desk, before)
        files = {
            name: (before / "own" / name).read_bytes()
            for name in ("plan.toml", "layouts/ours.toml", "ours.toml", "plan.png")
        }
        developed(desk)
        with Looks.open(desk.folder) as looks, Exams.open(desk.folder) as exams:
            looks.note(["7k3m9q2x"], CLEO, at=NOW)
            exams.note_shown(CLEO, ["3k3m9q2x"])
        assert desk.tokens is not None
        token, _ = desk.tokens.make("gauge", person=BEN, role="technician", by=ADA, now=NOW)
        backup = tmp_path / "stick" / "backup.zip"
        backup.parent.mkdir()
        backup.write_bytes(made(desk, keeper))
        return Burnt(
            backup=backup,
            bodies=list(desk.logbook.bodies()),
            files=files,
            cookie=keeper.cookies["linecall_sign_in"],
            token=token,
        )


def with_files_of_its_own(desk: Desk, folder: Path) -> Desk:
    """The station, its site described in files that lie in a folder of their own."""
    own = folder / "own"
    (own / "layouts").mkdir(parents=True)
    site = (DATA / "examples" / "site.toml").read_text(encoding="utf-8")
    site = site.replace('layout = "comb"', 'layout = "layouts/ours.toml"', 1)
    site = re.sub(
        r'^procedure = "standard"', 'procedure = "ours.toml"\npicture = "plan.png"', site, flags=re.M
    )
    (own / "plan.toml").write_text(site, encoding="utf-8")
    layout = (DATA / "layouts" / "comb.toml").read_text(encoding="utf-8")
    (own / "layouts" / "ours.toml").write_text(
        layout.replace('layout = "comb"', 'layout = "ours"', 1), encoding="utf-8"
    )
    procedure = (DATA / "procedure" / "standard.toml").read_text(encoding="utf-8")
    (own / "ours.toml").write_text(
        procedure.replace('procedure = "standard"', 'procedure = "ours"', 1), encoding="utf-8"
    )
    (own / "plan.png").write_bytes(b"\x89PNG a picture of the depot")
    policy = (DATA / "policy" / "standard.toml").read_text(encoding="utf-8")
    (own / "policy.toml").write_text(
        policy.replace('policy = "standard"', 'policy = "strict here"', 1), encoding="utf-8"
    )
    rules = (DATA / "rules" / "two-tier.toml").read_text(encoding="utf-8")
    (folder / "rules.toml").write_text(
        rules.replace('rules = "two-tier"', 'rules = "ours"', 1), encoding="utf-8"
    )
    (folder / "linecall.toml").write_text('site = "own/plan.toml"\nrules = "rules.toml"\nzone = "+02:00"\n')
    (desk.folder / "texts").mkdir()
    (desk.folder / "texts" / "es.po").write_text(SPANISH, encoding="utf-8")
    from reader.review.policy import load_policy

    return replace(desk, site_file=own / "plan.toml", policy=load_policy(own / "policy.toml"))


def made(desk: Desk, keeper: TestClient) -> bytes:
    """A backup, as the keeper gets it from their page."""
    anew = browser(desk)
    anew.cookies = keeper.cookies
    name = re.search(r"linecall-[0-9-]+\.zip", anew.post("/keeping/backups", headers=OURS).text)
    assert name is not None
    return anew.get(f"/keeping/backups/{name[0]}").content


def restore(backup: Path, logbook: Path) -> Result:
    return CliRunner().invoke(main, ["logbook", "restore", str(backup), "--logbook", str(logbook)])


def test_everything_a_site_needs_comes_back_beside_the_logbook(burnt: Burnt, tmp_path: Path) -> None:
    new = tmp_path / "new" / "book.sqlite"
    new.parent.mkdir()
    done = restore(burnt.backup, new)
    assert done.exit_code == 0, done.output
    assert "all holds" in done.output
    assert "everybody signs in anew" in done.output
    with Logbook.open(new, read_only=True) as book:
        assert list(book.bodies()) == burnt.bodies
    found = {
        name: (new.parent / name).read_bytes() for name in ("site.toml", *burnt.files) if name != "plan.toml"
    }
    assert found == {"site.toml" if name == "plan.toml" else name: data for name, data in burnt.files.items()}
    site = load_site(new.parent / "site.toml")
    assert site.procedure_source == new.parent / "ours.toml"
    said = tomllib.loads((new.parent / "linecall.toml").read_text(encoding="utf-8"))
    assert said == {
        "rules": "settings/rules.toml",
        "zone": "+02:00",
        "site": "site.toml",
        "policy": "policy.toml",
    }
    done = CliRunner().invoke(main, ["settings", "--logbook", str(new)])
    assert done.exit_code == 0, done.output
    assert "strict here" in (new.parent / "policy.toml").read_text(encoding="utf-8")
    own = Path(f"{new}.station")
    assert (own / "texts" / "es.po").read_text(encoding="utf-8") == SPANISH
    with Looks.open(own) as looks, Exams.open(own) as exams:
        assert looks.has_seen(["7k3m9q2x"], CLEO), "nobody becomes blind again by a fire"
        assert exams.was_shown(CLEO, ["3k3m9q2x"])
    assert [path.name for path in new.parent.rglob("*") if path.stat().st_mode & 0o077] == []


def test_no_sign_in_and_no_token_comes_back(burnt: Burnt, tmp_path: Path) -> None:
    new = tmp_path / "new" / "book.sqlite"
    new.parent.mkdir()
    restore(burnt.backup, new)
    own = Path(f"{new}.station")
    assert not (own / "station.sqlite").exists()
    with zipfile.ZipFile(burnt.backup) as archive:
        inside = b"".join(archive.read(name) for name in archive.namelist())
    for secret in (burnt.cookie, burnt.token):
        assert secret.encode() not in inside
    with (
        closing(SignIns.open(own / "station.sqlite")) as signs,
        closing(Tokens.open(own / "station.sqlite")) as tokens,
    ):
        assert signs.find(burnt.cookie, now=NOW) is None
        assert tokens.find(burnt.token, now=NOW) is None


@pytest.mark.posix
def test_the_restored_station_runs_with_its_site_and_policy_and_no_option(
    burnt: Burnt, tmp_path: Path
) -> None:
    new = tmp_path / "new" / "book.sqlite"
    new.parent.mkdir()
    restore(burnt.backup, new)
    with serving(tmp_path, "--logbook", str(new)) as (_, port):
        with closing(SignIns.open(Path(f"{new}.station") / "station.sqlite")) as signs:
            secret = signs.make_link(ADA, now=datetime.now(UTC))
        address = f"http://127.0.0.1:{port}"
        body = json.dumps({"secret": secret}).encode()
        request = urllib.request.Request(f"{address}/pair", body, {"Origin": address}, method="POST")
        with urllib.request.urlopen(request) as answer:
            cookie = answer.headers["Set-Cookie"].partition(";")[0]

        def shown(path: str, cookie: str = cookie) -> str:
            asked = urllib.request.Request(address + path, headers={"Cookie": cookie})
            with urllib.request.urlopen(asked) as answer:
                return str(answer.read().decode())

        assert "layouts/ours.toml" in shown("/keeping/site")
        assert all(name in shown("/keeping/people") for name in (ADA, BEN, CLEO))
        assert "HB-sump" in shown("/today"), "the site's points are there, and the run goes on"
        with pytest.raises(urllib.error.HTTPError, match="401"):
            shown("/keeping/site", f"linecall_sign_in={burnt.cookie}")


def test_what_is_there_already_is_not_written_over_and_the_logbook_stays_empty(
    burnt: Burnt, tmp_path: Path
) -> None:
    new = tmp_path / "new" / "book.sqlite"
    new.parent.mkdir()
    (new.parent / "site.toml").write_text("another site")
    done = restore(burnt.backup, new)
    assert done.exit_code != 0
    assert "site.toml" in done.output
    assert (new.parent / "site.toml").read_text() == "another site"
    with Logbook.open(new, read_only=True) as book:
        assert book.head()[0] == 0
    (new.parent / "site.toml").unlink()
    assert restore(burnt.backup, new).exit_code == 0, "and once it is out of the way, it can be done again"


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("beside/site.toml", b"another site"),
        ("beside/site.toml", None),
        ("beside/policy.toml", None),
        ("beside/../site.toml", b"x"),
        ("beside/station/../../site.toml", b"x"),
        ("beside//etc/site.toml", b"x"),
        ("beside/C:/site.toml", b"x"),
        ("beside/new.toml", b"one that nobody listed"),
    ],
)
def test_a_backup_whose_files_are_not_what_was_backed_up_restores_nothing(
    burnt: Burnt, tmp_path: Path, name: str, data: bytes | None
) -> None:
    other = tmp_path / "changed.zip"
    with zipfile.ZipFile(burnt.backup) as old, zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            if info.filename != name:
                new.writestr(info.filename, old.read(info))
        if data is not None:
            new.writestr(name, data)
    folder = tmp_path / "new"
    folder.mkdir()
    done = restore(other, folder / "book.sqlite")
    assert done.exit_code != 0
    assert "Traceback" not in done.output
    assert not list(folder.rglob("*.toml"))
    assert not (tmp_path / "site.toml").exists()


def test_what_a_backup_cannot_hold_is_said_before_the_fire_and_after(tmp_path: Path) -> None:
    before, new = tmp_path / "before", tmp_path / "new" / "book.sqlite"
    before.mkdir()
    new.parent.mkdir()
    with depot(before) as desk:
        site = before / "site.toml"
        outside = tmp_path / "elsewhere.toml"
        outside.write_bytes((DATA / "layouts" / "comb.toml").read_bytes())
        said = site.read_text(encoding="utf-8")
        site.write_text(said.replace('layout = "comb"', f'layout = "{outside}"', 1), encoding="utf-8")
        keeper = signed_in(browser(desk), desk, ADA)
        assert str(outside) in keeper.get("/keeping/backups").text
        backup = tmp_path / "backup.zip"
        backup.write_bytes(made(desk, keeper))
    done = restore(backup, new)
    assert done.exit_code == 0, done.output
    assert "not in the backup" in done.output
    assert "elsewhere.toml" in done.output


def test_a_backup_of_before_these_files_were_in_it_still_restores(tmp_path: Path) -> None:
    from reader.logbook.export import write_zip

    before, new = tmp_path / "before", tmp_path / "new" / "book.sqlite"
    before.mkdir()
    new.parent.mkdir()
    with depot(before) as desk:
        developed(desk)
        with (tmp_path / "old.zip").open("wb") as file:
            write_zip(desk.logbook, file, at=NOW)
        bodies = list(desk.logbook.bodies())
    with zipfile.ZipFile(tmp_path / "old.zip") as archive:
        assert json.loads(archive.read("export.json"))["format"] == 2, (
            "which every earlier linecall takes, too"
        )
    done = restore(tmp_path / "old.zip", new)
    assert done.exit_code == 0, done.output
    assert "sign" not in done.output
    with Logbook.open(new, read_only=True) as book:
        assert list(book.bodies()) == bodies


def test_lists_are_copied_whole_while_others_write(tmp_path: Path) -> None:
    before = tmp_path / "before"
    before.mkdir()
    with depot(before) as desk, Looks.open(desk.folder) as looks:
        looks.note(["7k3m9q2x"], CLEO, at=NOW)  # still in the write-ahead log, for the file is open
        backup = made(desk, signed_in(browser(desk), desk, ADA))
    (tmp_path / "b.zip").write_bytes(backup)
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        (tmp_path / "looks.sqlite").write_bytes(archive.read("beside/station/looks.sqlite"))
    with closing(sqlite3.connect(tmp_path / "looks.sqlite")) as copy:
        assert copy.execute("SELECT reading FROM look").fetchall() == [("7k3m9q2x",)]
