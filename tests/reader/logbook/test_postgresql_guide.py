"""The guide's topic on a server, word for word: its files, its commands, and what each role can and cannot do.

Two servers of the test's own stand for the old one and the new one. What differs from the topic: the folders /srv and
/etc, and in the service file the port and the other people's sections.
"""

import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import mkdtemp

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import ProgrammingError

from reader.errors import LinecallError, OutputError
from reader.guide import topic
from reader.logbook import Logbook
from reader.logbook.follow_up_events import ASKED
from reader.logbook.people import add_person
from reader.logbook.run_events import END, RunEnd
from reader.words.ids import new_id
from tests.conftest import ROOT
from tests.documents import Block, blocks
from tests.reader.logbook.samples import AT, add
from tests.reader.logbook.test_lost_connection import asked_for
from tests.reader.logbook.test_runs import begin
from tests.reader.station.authority import Authority

SCRIPT = ROOT / "tests/reader/logbook/postgresql.sh"
USERS = {"record": "anna", "owner": "linecall_owner", "audit": "audit"}
PASSWORD = "only-an-example"
NOW = datetime.now(UTC)

BLOCKS = list(blocks(topic("postgresql").text))


def shown(language: str, word: str) -> str:
    """The block of a language that has a word in it."""
    (found,) = [one for one in map(_text, _of(language)) if word in one]
    return found


def _of(language: str) -> list[Block]:
    return [one for one in BLOCKS if one.language == language]


def _text(block: Block) -> str:
    return "\n".join(block.lines) + "\n"


@dataclass(frozen=True, kw_only=True)
class Site:
    """A folder that stands for all machines, and the environment in which commands run there."""

    folder: Path
    servers: dict[str, Path]
    ports: dict[str, int]

    def run(self, commands: str, *, server: str = "old", answer: str | None = None) -> str:
        """Run lines of a shell as whoever administers a server."""
        env = {name: value for name, value in os.environ.items() if not name.startswith(("PG", "LINECALL_"))}
        programs = next(Path("/usr/lib/postgresql").glob("*/bin"), Path("/usr/local/pgsql/bin"))
        env |= {
            "HOME": str(self.folder),
            "PATH": f"{self.folder}:{programs}:{env['PATH']}",
            "PYTHONPATH": str(ROOT),
            "PGHOST": str(self.servers[server]),
            "PGPORT": str(self.ports[server]),
        }
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", self.here(commands)],
            cwd=self.folder, env=env, input=answer, capture_output=True, text=True, check=False,
            start_new_session=True,
        )  # fmt: skip
        assert done.returncode == 0, f"{commands}\n{done.stdout}{done.stderr}"
        return done.stdout + done.stderr

    def here(self, said: str) -> str:
        """What is said, with the folders of this machine."""
        return said.replace("/srv/linecall", str(self.folder)).replace("/etc/linecall", str(self.folder))

    def open(self, service: str, *, read_only: bool = False) -> Logbook:
        """The logbook, as somebody has it."""
        return Logbook.open(f"postgresql:///?service={service}", read_only=read_only)

    def says(self, service: str, statement: str) -> str:
        """What the server says to a statement of somebody's; empty where it does it."""
        engine = create_engine(f"postgresql+psycopg:///?service={service}")
        try:
            with engine.begin() as connection:
                connection.execute(text(statement))
        except ProgrammingError as error:
            return str(error.orig)
        finally:
            engine.dispose()
        return ""


@pytest.fixture(scope="module")
def site() -> Iterator[Site]:
    folder = Path(mkdtemp(prefix="linecall-"))
    folder.chmod(0o755)
    site = Site(
        folder=folder,
        servers={name: folder / name for name in ("old", "new")},
        ports={name: _free_port() for name in ("old", "new")},
    )
    before = dict(os.environ)
    try:
        _make_files(site)
        for name in site.servers:
            _start(site, name)
        os.environ |= {"HOME": str(folder)}
        yield site
    finally:
        os.environ.clear()
        os.environ.update(before)
        for server in site.servers.values():
            subprocess.run(["bash", SCRIPT, "stop", server, "immediate"], capture_output=True, check=False)
        shutil.rmtree(folder)


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


def _make_files(site: Site) -> None:
    authority = Authority()
    (site.folder / "ca.crt").write_text(authority.pem)
    pair = authority.signs(
        site.folder / "pair.pem",
        "record.lan",
        since=NOW,
        until=NOW + timedelta(days=9),
        parts="certificate key",
    )
    certificate, begin, key = pair.read_text().partition("-----BEGIN PRIVATE")
    (site.folder / "server.crt").write_text(certificate)
    (site.folder / "server.key").write_text(begin + key)
    linecall = site.folder / "linecall"
    linecall.write_text(f'#!/bin/sh\nexec {sys.executable} -c "from cli.main import main; main()" "$@"\n')
    linecall.chmod(0o755)
    section = site.here(shown("ini", "[record]"))
    sections = [
        section.replace("[record]", f"[{service}]").replace("user=anna", f"user={user}")
        + f"hostaddr=127.0.0.1\nport={site.ports['old']}\n"
        for service, user in USERS.items()
    ]
    sections.append(
        sections[1].replace("[owner]", "[new]").replace(str(site.ports["old"]), str(site.ports["new"]))
    )
    for name, content in (
        (".pg_service.conf", "".join(sections)),
        (".pgpass", "".join(shown("ini", "record.lan:*").replace("anna", user) for user in USERS.values())),
    ):
        (site.folder / name).write_text(content)
        (site.folder / name).chmod(0o600)
    for name, word in (
        ("roles.sql", "CREATE ROLE"),
        ("grants.sql", "GRANT USAGE"),
        ("grants-merged.sql", "linecall_takeover"),
    ):
        (site.folder / name).write_text(shown("sql", word))


def _start(site: Site, name: str) -> None:
    """A server as the topic sets it up; over the socket the test is its administrator."""
    server = site.servers[name]
    server.mkdir()
    for file in ("server.crt", "server.key"):
        shutil.copy(site.folder / file, server / file)
        (server / file).chmod(0o600)
        if os.geteuid() == 0:
            shutil.chown(server / file, "postgres")
    (server / "hba.conf").write_text(f"local all all trust\n{shown('ini', 'hostssl')}")
    (server / "hba.conf").chmod(0o644)
    said = dict(line.split(" = ") for line in shown("ini", "ssl = on").splitlines())
    options = {
        "listen_addresses": "127.0.0.1",
        "port": site.ports[name],
        "hba_file": server / "hba.conf",
        **said,
    }
    options |= {key: server / said[key].strip("'") for key in ("ssl_cert_file", "ssl_key_file")}
    given = [word for key, value in options.items() for word in ("-c", f"{key}={value}")]
    subprocess.run(["bash", SCRIPT, "start", server, *given], check=True, capture_output=True)
    site.run("psql -U linecall -d postgres -c 'CREATE ROLE postgres SUPERUSER LOGIN'", server=name)


def _set_passwords(site: Site, server: str) -> None:
    for user in USERS.values():
        said = site.run(
            f"psql -U postgres -d postgres -c '\\password {user}'", server=server, answer=f"{PASSWORD}\n" * 2
        )
        assert PASSWORD not in said


@pytest.mark.posix
@pytest.mark.parametrize("place", ["postgresql"])  # so that it is run where a server's programs are
def test_every_step_of_the_topic_does_what_it_says(place: str, site: Site, tmp_path: Path) -> None:
    roles, begins, looks, _, backs_up, restores, from_zip = map(_text, _of("console"))
    site.run(roles)
    _set_passwords(site, "old")
    assert site.run(begins).startswith("0 readings")

    with site.open("record") as book:  # Anna's, who owns nothing
        ids = [add(book, tmp_path, number) for number in range(3)]
        book.append("review", {"waiting": False}, by="B. Reviewer", reading=ids[0], at=AT)
        book.correct(ids[1], "tank", "T9", by="A. Technician", reason="slip", at=AT)
        run = begin(book, "P1", "drops")
        row = book.runs()[0]
        end = RunEnd(how="abandoned", reason="dropped it")
        book.add_to_run(run, [(END, end)], by="A. Technician", at=AT, expect_last=row.last_seq)
        assert book.add_to_follow_ups([(new_id(), ASKED, asked_for(ids[0]))], by="A. Technician", at=AT) == 1
        assert book.verify().good
        assert book.verify().notes == ()
        with pytest.raises(OutputError, match=r"no right to do that .*ask the logbook's owner"):
            book.rebuild()
    _check_rights(site)

    said = site.run(looks)
    assert all(id in said for id in ids)
    with site.open("audit", read_only=True) as book:
        with pytest.raises(OutputError, match="no right to do that"):
            add(book, tmp_path, 9)
        events = list(book.bodies())

    site.run(backs_up)
    site.run(restores.splitlines()[0], server="new")
    _set_passwords(site, "new")
    said = site.run("\n".join(restores.splitlines()[1:]), server="new")
    assert f"all holds: {len(events)} events" in said
    assert "without a seal" not in said
    with site.open("new") as book:
        assert list(book.bodies()) == events
        assert book.verify().good
    assert "events are never changed" in site.says(
        "new", "DELETE FROM linecall_event"
    )  # the guard came along

    site.run(
        "psql -U postgres -d postgres -c 'DROP DATABASE linecall' -c 'CREATE DATABASE linecall OWNER linecall_owner'",
        server="new",
    )
    site.run(from_zip, server="new")
    with site.open("new") as book:
        assert list(book.bodies()) == events
    printed = "".join(path.read_text(errors="replace") for path in site.folder.glob("*.txt"))
    assert PASSWORD not in printed


def _check_rights(site: Site) -> None:
    """Writers and readers cannot do what the topic says that they may not; only the owner can."""
    never = (
        "DELETE FROM linecall_event",
        "UPDATE linecall_event SET body = ''",
        "TRUNCATE linecall_event",
        "ALTER TABLE linecall_event DISABLE TRIGGER ALL",
        "DROP TRIGGER linecall_no_change ON linecall_event",
        "DROP TABLE linecall_event",
        "CREATE TABLE mine (n int)",
        "CREATE TEMP TABLE linecall_event (n int)",
        "UPDATE linecall_logbook SET value = ''",
        "DELETE FROM linecall_reading",
        "SET session_replication_role = replica",
        "SET ROLE linecall_owner",
    )
    for service in ("record", "audit"):
        for statement in never:
            said = site.says(service, statement)
            assert any(word in said for word in ("permission denied", "must be owner")), (statement, said)
    for statement in (
        "INSERT INTO linecall_event VALUES (99, 'a', null, '', '')",
        "UPDATE linecall_reading SET tank = ''",
    ):
        assert "permission denied" in site.says("audit", statement)
    assert site.says("audit", "SELECT count(*) FROM linecall_event") == ""
    switch = "ALTER TABLE linecall_event {} TRIGGER linecall_no_change"
    assert site.says("owner", switch.format("DISABLE")) == ""
    with site.open("audit", read_only=True) as book:
        assert "linecall_no_change" in "".join(book.verify().notes)
    assert site.says("owner", switch.format("ENABLE")) == ""


@pytest.mark.posix
@pytest.mark.parametrize("place", ["postgresql"])
def test_a_logbook_of_an_earlier_linecall_is_brought_up_to_date_by_its_owner(
    place: str, site: Site, tmp_path: Path
) -> None:
    for statement in (
        "DROP TABLE linecall_run",
        "DROP TABLE linecall_follow_up",
        "UPDATE linecall_logbook SET value = '1' WHERE name = 'format'",
    ):
        assert site.says("owner", statement) == ""
    with site.open("record") as book, pytest.raises(OutputError, match="no right to do that"):
        begin(book, "P7")
    site.run(next(one for one in map(_text, _of("console")) if "rebuild" in one))
    with site.open("record") as book:
        begin(book, "P7")
        assert book.verify().good


@pytest.mark.posix
@pytest.mark.parametrize("place", ["postgresql"])
def test_a_laptops_logbook_is_merged_by_the_owner_and_writers_go_on(
    place: str, site: Site, tmp_path: Path
) -> None:
    with Logbook.open(site.folder / "laptop.db") as laptop:
        theirs = add(laptop, tmp_path, 7)
    with site.open("owner") as book:
        add_person(book, "K. Moor", roles=["keeper"], at=NOW)
    site.run(next(one for one in map(_text, _of("console")) if "logbook merge" in one))
    with site.open("record") as book:
        first = add(book, tmp_path, 8, at=NOW)
        again = add(book, tmp_path, 8, at=NOW)
        assert {one.id: one.superseded_by for one in book.readings()}.items() >= {
            (theirs, None),
            (first, again),
            (again, None),
        }
        assert book.verify().good
    with site.open("audit", read_only=True) as book:
        assert book.verify().good
        with pytest.raises(OutputError, match="no right to do that"):
            add(book, tmp_path, 9)


@pytest.mark.posix
@pytest.mark.parametrize("place", ["postgresql"])
def test_no_server_of_another_name_or_authority_is_talked_to(place: str, site: Site, tmp_path: Path) -> None:
    for part, other, why in (
        ("host=record.lan", "host=other.lan", "does not match"),
        ("ca.crt", "server.crt", "certificate verify failed"),
    ):
        services = (site.folder / ".pg_service.conf").read_text()
        (site.folder / "other.conf").write_text(services.replace(part, other))
        os.environ["PGSERVICEFILE"] = str(site.folder / "other.conf")
        try:
            with pytest.raises(LinecallError, match=why):
                site.open("record")
        finally:
            del os.environ["PGSERVICEFILE"]
