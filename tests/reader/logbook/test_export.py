"""What is handed on: a table, lines, and a zip that is checked on another machine, and refused if it does harm."""

import csv
import json
import os
import stat
import struct
import subprocess
import sys
import zipfile
from collections.abc import Callable, Mapping
from contextlib import closing
from io import BytesIO, StringIO
from pathlib import Path
from types import MappingProxyType

import pytest

from reader.errors import LinecallError
from reader.files.csv_cells import BOM
from reader.logbook import Logbook
from reader.logbook.chain import Report
from reader.logbook.export import README, all_rows, csv_lines, event_lines, verify_zip, write_zip
from reader.store.canonical import canonical_json
from reader.verdict.model import load_verdict
from tests.reader.logbook.samples import AT, Place, add, filled, photo, verdict_of


def zipped(logbook: Logbook, path: Path, *ids: str) -> Path:
    with path.open("wb") as file:
        write_zip(logbook, file, ids=ids, at=AT)
    return path


@pytest.fixture
def export(tmp_path: Path) -> Path:
    """An export of a logbook of five readings, a review that changed a verdict, and a correction."""
    place = Place(where=str(tmp_path / "log.db"), photos=str(tmp_path / "photos"))
    ids = filled(place, tmp_path)
    with closing(place.open()) as logbook:
        decided = verdict_of(photo(tmp_path, 4), ("present", "present"), grade="negligible")
        payload = {"verdict": decided.model_dump(mode="json")}
        logbook.append("review", payload, by="B. Reviewer", reading=ids[3], at=AT)
        return zipped(logbook, tmp_path / "export.zip")


def instead_of_manifest(manifest: bytes) -> Callable[[str, bytes], tuple[str, bytes]]:
    return lambda name, data: (name, manifest if name == "export.json" else data)


def rewritten(
    path: Path,
    change: Callable[[str, bytes], tuple[str, bytes] | None] = lambda name, data: (name, data),
    *,
    more: Mapping[str, bytes] = MappingProxyType({}),
) -> Path:
    """The zip with its members changed, left out or joined by others."""
    changed = path.with_name("changed.zip")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(changed, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            kept = change(info.filename, old.read(info))
            if kept is not None:
                new.writestr(kept[0], kept[1], info.compress_type)
        for name, data in more.items():
            new.writestr(name, data)
    return changed


def test_an_export_proves_itself_without_the_logbook(export: Path, tmp_path: Path) -> None:
    alone = tmp_path / "elsewhere"
    alone.mkdir()
    report = verify_zip(export.rename(alone / "export.zip"))
    assert report.good
    assert (report.events, report.readings, report.photos, report.photos_left_out) == (8, 5, 5, 0)


def test_an_export_holds_photos_byte_for_byte_and_verdicts_before_and_after(
    export: Path, tmp_path: Path
) -> None:
    with zipfile.ZipFile(export) as archive:
        names = archive.namelist()
        photos = {name: archive.read(name) for name in names if name.startswith("photos/")}
        assert sorted(photos.values()) == sorted(photo(tmp_path, k).read_bytes() for k in range(1, 6))
        assert all(name.endswith(".jpg") for name in photos)
        first = [name for name in names if name.endswith(".first.verdict.json")]
        assert len(first) == 1
        assert load_verdict(archive.read(first[0])).grade == "heavy"
        assert load_verdict(archive.read(first[0].replace(".first", ""))).grade == "negligible"
        assert all(stat.S_ISREG(info.external_attr >> 16) for info in archive.infolist())


def test_an_export_of_some_readings_holds_their_photos_and_the_whole_chain(
    place: Place, tmp_path: Path
) -> None:
    ids = filled(place, tmp_path)
    with closing(place.open()) as logbook:
        report = verify_zip(zipped(logbook, tmp_path / "some.zip", ids[1], ids[3], ids[1]))
        assert report.good
        assert (report.events, report.readings, report.photos, report.photos_left_out) == (7, 5, 2, 3)
        with pytest.raises(LinecallError, match="there is no reading 'zzzzzzzz'"):
            zipped(logbook, tmp_path / "none.zip", "zzzzzzzz")


def test_the_same_logbook_gives_the_same_zip(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    with closing(place.open()) as logbook:
        first = zipped(logbook, tmp_path / "1.zip").read_bytes()
        assert zipped(logbook, tmp_path / "2.zip").read_bytes() == first


def test_what_the_readme_says_to_check_without_linecall_works(export: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(export) as archive:
        archive.extractall(tmp_path / "unpacked")
    folder = tmp_path / "unpacked"
    text = (folder / "README.txt").read_text(encoding="utf-8")
    lines = text[text.index("  import hashlib") : text.index("WHAT THIS PROVES")].splitlines()
    script = "\n".join(line[2:] for line in lines)

    def run() -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-I", "-X", "utf8", "-c", script],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )

    good = run()
    assert good.returncode == 0, good.stderr
    assert json.loads((folder / "export.json").read_text())["seal"].split()[2] in good.stdout
    events = (folder / "events.jsonl").read_text(encoding="utf-8")
    (folder / "events.jsonl").write_text(events.replace("T33", "T34"), encoding="utf-8")
    bad = run()
    assert bad.returncode == 1
    assert "AssertionError: 7" in bad.stderr
    assert "{" not in README.format(seal="", photos="", proof="")


def bad_event(report: Report) -> tuple[int | None, str]:
    assert report.problem is not None
    return report.first_bad, report.problem


def test_whatever_is_changed_in_an_export_is_found(export: Path) -> None:
    def in_events(old: bytes, new: bytes) -> Report:
        return verify_zip(rewritten(export, lambda name, data: (name, data.replace(old, new))))

    assert bad_event(in_events(b"T33", b"T34"))[0] == 7

    def without_line(n: int) -> Report:
        def change(name: str, data: bytes) -> tuple[str, bytes]:
            lines = data.splitlines(keepends=True)
            return name, b"".join(lines[: n - 1] + lines[n:]) if name == "events.jsonl" else data

        return verify_zip(rewritten(export, change))

    for n in (1, 4, 7):
        assert bad_event(without_line(n))[0] == n
    assert "event 8 was sealed" in bad_event(without_line(8))[1]

    def swapped(name: str, data: bytes) -> tuple[str, bytes]:
        lines = data.splitlines(keepends=True)
        return name, b"".join(
            [*lines[:2], lines[3], lines[2], *lines[4:]]
        ) if name == "events.jsonl" else data

    assert bad_event(verify_zip(rewritten(export, swapped)))[0] == 3
    assert "no end" in bad_event(in_events(b'"seq":8}\n', b'"seq":8}'))[1]


def test_a_changed_missing_or_added_photo_or_verdict_is_found(export: Path) -> None:
    def altered(kind: str) -> Report:
        return verify_zip(
            rewritten(export, lambda name, data: (name, data[:-1] + b"?" if name.startswith(kind) else data))
        )

    def left_out(kind: str) -> Report:
        return verify_zip(
            rewritten(export, lambda name, data: None if name.startswith(kind) else (name, data))
        )

    assert bad_event(altered("photos/"))[0] == 1
    assert "has been altered" in bad_event(altered("photos/"))[1]
    assert "is missing" in bad_event(left_out("photos/"))[1]
    assert "is not what the events say" in bad_event(altered("verdicts/"))[1]
    assert "is missing" in bad_event(left_out("verdicts/"))[1]
    stray = {f"photos/{'0' * 64}.jpg": b"x"}
    assert "no event names" in bad_event(verify_zip(rewritten(export, more=stray)))[1]
    stray = {"verdicts/zzzzzzzz.verdict.json": b"x"}
    assert "is of no event" in bad_event(verify_zip(rewritten(export, more=stray)))[1]


def test_the_export_s_own_seal_and_another_are_held_against_it(export: Path, tmp_path: Path) -> None:
    def other_seal(name: str, data: bytes) -> tuple[str, bytes]:
        manifest = json.loads(data) if name == "export.json" else {}
        if manifest:
            words = manifest["seal"].split()
            manifest["seal"] = " ".join([words[0], words[1], "1" * 64, words[3]])
        return name, json.dumps(manifest).encode() if manifest else data

    assert "not the one that was sealed" in bad_event(verify_zip(rewritten(export, other_seal)))[1]
    with Logbook.open(tmp_path / "log.db", photos=str(tmp_path / "photos")) as logbook:
        add(logbook, tmp_path, 9)
        later = logbook.seal(at=AT)
    assert verify_zip(export).good
    assert bad_event(verify_zip(export, seals=[later]))[0] == 9


@pytest.mark.parametrize(
    "name",
    [
        "../evil.txt",
        "/etc/evil",
        "photos/../../evil",
        "photos\\evil",
        "C:\\evil",
        "evil.txt",
        "photos/",
        "README.txt/x",
    ],
)
def test_a_zip_with_a_name_that_no_export_has_is_refused(export: Path, tmp_path: Path, name: str) -> None:
    before = set(tmp_path.rglob("*"))
    changed = rewritten(export, more={name: b"x"})
    with pytest.raises(LinecallError, match=r"refused: .* is no file that an export has"):
        verify_zip(changed)
    assert set(tmp_path.rglob("*")) == before | {changed}


def test_a_zip_with_links_copies_or_bombs_is_refused(export: Path) -> None:
    def with_member(info: zipfile.ZipInfo, data: bytes) -> Path:
        changed = rewritten(export)
        with zipfile.ZipFile(changed, "a") as archive:
            archive.writestr(info, data)
        return changed

    link = zipfile.ZipInfo(f"photos/{'1' * 64}.jpg")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with pytest.raises(LinecallError, match="is no plain file"):
        verify_zip(with_member(link, b"/etc/passwd"))
    with pytest.warns(UserWarning, match="Duplicate"):
        copied = with_member(zipfile.ZipInfo("README.txt"), b"another")
    with pytest.raises(LinecallError, match="is in it twice"):
        verify_zip(copied)
    bomb = zipfile.ZipInfo(f"photos/{'1' * 64}.jpg")
    bomb.compress_type = zipfile.ZIP_DEFLATED
    with pytest.raises(LinecallError, match="would unpack to far more"):
        verify_zip(with_member(bomb, bytes(50_000_000)))


def test_a_zip_that_is_packed_otherwise_is_refused(export: Path) -> None:
    changed = rewritten(export)
    with zipfile.ZipFile(changed, "a", zipfile.ZIP_LZMA) as archive:
        archive.writestr(f"photos/{'1' * 64}.jpg", b"photo")
    with pytest.raises(LinecallError, match="is packed as no export is"):
        verify_zip(changed)


def test_a_damaged_zip_is_told_in_one_line_wherever_a_byte_is_wrong(export: Path) -> None:
    whole = export.read_bytes()
    with zipfile.ZipFile(export) as archive:
        directory = archive.start_dir
    told: list[LinecallError] = []
    for at in range(directory, len(whole)):
        export.write_bytes(whole[:at] + b"\xff" + whole[at + 1 :])
        try:
            verify_zip(export)  # of some bytes nothing hangs, such as a member's time
        except LinecallError as error:
            told.append(error)
    # zipfile raises the second where the wrong byte asks for a later version or strong encryption (APPNOTE.TXT 4.4.3-4)
    assert {zipfile.BadZipFile, NotImplementedError} <= {type(one.__cause__) for one in told}
    assert [str(one) for one in told if "\n" in str(one)] == []


def test_a_zip_whose_member_lies_beyond_any_file_is_told(export: Path) -> None:
    changed = rewritten(export)
    with zipfile.ZipFile(changed, "a") as archive:
        archive.writestr(f"photos/{'1' * 64}.jpg", b"photo")
        archive.getinfo("events.jsonl").header_offset = 2**64 - 1
    with pytest.raises(LinecallError, match="lies beyond the file's end"):
        verify_zip(changed)


def test_a_zip_whose_directory_lies_where_no_file_can_be_read_is_told(export: Path) -> None:
    data = export.read_bytes()
    end = data.rindex(b"PK\x05\x06")
    # The end in its long form, with its locator (APPNOTE.TXT 4.3.14, 4.3.15): a directory of 2**64 - 1 bytes.
    long_end = struct.pack("<4sQ2H2L4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, 1, 1, 2**64 - 1, 0)
    locator = struct.pack("<4sLQL", b"PK\x06\x07", 0, end, 1)
    export.write_bytes(data[:end] + long_end + locator + data[end:])
    with pytest.raises(LinecallError, match="is no whole zip"):
        verify_zip(export)


def test_one_endless_line_is_not_read_into_memory(export: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reader.logbook.export.EVENT_BYTES_MAX", 20_000)
    endless = os.urandom(50_000).hex().encode()
    changed = rewritten(export, lambda name, data: (name, endless if name == "events.jsonl" else data))
    assert "its line has no end" in bad_event(verify_zip(changed))[1]


def test_what_is_no_export_is_told(export: Path, tmp_path: Path) -> None:
    text = tmp_path / "text.zip"
    text.write_text("no zip at all")
    with pytest.raises(LinecallError, match="is no whole zip"):
        verify_zip(text)
    with pytest.raises(LinecallError, match="there is no such file"):
        verify_zip(tmp_path / "none.zip")
    cut = tmp_path / "cut.zip"
    cut.write_bytes(export.read_bytes()[:-30])
    with pytest.raises(LinecallError, match="is no whole zip"):
        verify_zip(cut)
    with pytest.raises(LinecallError, match=r"events\.jsonl is missing"):
        verify_zip(rewritten(export, lambda name, data: None if name == "events.jsonl" else (name, data)))
    for manifest, message in (
        (b"[]", "is not what an export has"),
        (
            b'{"format": 5, "readings": [], "seal": "x"}',
            "is an export of format 5, but this linecall knows up to 4",
        ),
        (b'{"format": 1, "readings": [], "seal": "x"}', "is no seal"),
        (b'{"format": 3, "readings": [], "seal": "x", "not_beside": 3}', "is not what an export has"),
    ):
        with pytest.raises(LinecallError, match=message):
            verify_zip(rewritten(export, instead_of_manifest(manifest)))


def test_a_byte_damaged_anywhere_never_passes_unseen(export: Path) -> None:
    def evidence(path: Path) -> dict[str, bytes]:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist()) - {"README.txt", "export.json"}
            return {name: archive.read(name) for name in names}

    whole, damaged = export.read_bytes(), export.with_name("damaged.zip")
    n_told = 0
    for at in range(0, len(whole), len(whole) // 60):
        damaged.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        try:
            if verify_zip(damaged).good:  # a byte of the readme, or one that means nothing, such as a date
                assert evidence(damaged) == evidence(export)
                continue
        except LinecallError:
            pass
        n_told += 1
    assert n_told > 30


def test_a_photo_altered_in_the_logbook_is_not_handed_on(place: Place, tmp_path: Path) -> None:
    ids = filled(place, tmp_path)
    with closing(place.open()) as logbook:
        place.photo_path(logbook.reading(ids[0]).photos[0].sha256).write_bytes(b"altered")
        with pytest.raises(LinecallError, match="has been altered"):
            write_zip(logbook, BytesIO(), at=AT)


def test_lines_are_the_canonical_events_with_their_hashes(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    with closing(place.open()) as logbook:
        lines = list(event_lines(logbook))
        assert [json.loads(line)["hash"] for line in lines] == [event.hash for event in logbook.events()]
        assert all(line == canonical_json(json.loads(line)).decode() + "\n" for line in lines)


def test_a_table_has_a_row_a_reading_and_computes_nothing(place: Place, tmp_path: Path) -> None:
    with closing(place.open()) as logbook:
        add(logbook, tmp_path, 1, tank='=HYPERLINK("x")', sample_point="a, b", calls=("present", "doubtful"))
        add(logbook, tmp_path, 2)
        rows = list(
            csv.DictReader(StringIO("".join(csv_lines(all_rows(logbook))).removeprefix(BOM), newline=""))
        )
        assert [row["photo"] for row in rows] == ["IMG_2.jpg", "IMG_1.jpg"]
        assert rows[1]["tank"] == '\'=HYPERLINK("x")'
        assert rows[1]["sample_point"] == "a, b"
        assert rows[1]["at"] == "2026-05-04T09:08:07+02:00"
        assert [row["waiting"] for row in rows] == ["no", "yes"]


def test_a_table_goes_over_all_pages(place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(place, tmp_path)
    monkeypatch.setattr("reader.logbook.export.PAGE", 2)
    with closing(place.open()) as logbook:
        assert [row.seq for row in all_rows(logbook)] == [5, 4, 3, 2, 1]
