"""`linecall read` with photos, tables and results in object storage, against a real server that makes trouble."""

import csv
import io
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from weakref import WeakSet

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from reader.files import urls
from reader.verdict.model import load_verdict
from tests.dask_cluster import local_cluster
from tests.s3 import KEYS, Store, object_store

pytestmark = pytest.mark.slow
DEMO = ("north-tank-drain.jpg", "helipad-bowser.jpg", "generator-tank.jpg")


@pytest.fixture(scope="module")
def server() -> Iterator[Store]:
    before = dict(os.environ)
    os.environ.update(KEYS)
    try:
        with object_store() as found:
            os.environ["AWS_ENDPOINT_URL"] = found.url
            forget_environment()
            yield found
    finally:
        os.environ.clear()
        os.environ.update(before)
        forget_environment()


def forget_environment() -> None:
    """Let processes that read begin with today's environment, not with that of an earlier test's."""
    from multiprocessing.forkserver import _forkserver

    _forkserver._stop()  # type: ignore[attr-defined]


@pytest.fixture
def store(
    server: Store, request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Store:
    """The store with the demo photos in a new bucket, `site`, and another that is not to be touched."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    client = server.client()
    for bucket in client.list_buckets()["Buckets"]:
        for name in server.objects(bucket["Name"]):
            client.delete_object(Bucket=bucket["Name"], Key=name)
        client.delete_bucket(Bucket=bucket["Name"])
    for bucket in ("site", "other"):
        client.create_bucket(Bucket=bucket, CreateBucketConfiguration={"LocationConstraint": "eu-west-1"})
    root = request.config.rootpath / "demo_images"
    server.put("site", **{f"day/{name}": (root / name).read_bytes() for name in DEMO})
    server.put("other", **{"secret.jpg": (root / DEMO[0]).read_bytes()})
    server.trouble = lambda method, path: None
    server.asked.clear()
    return server


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["read", *arguments])


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))


def test_photos_of_a_folder_are_read_where_they_lie_and_only_what_is_missing_the_next_time(
    store: Store, root: Path
) -> None:
    done = run("s3://site/day/", "-o", "s3://site/results", "--reading-age", "20")
    assert done.exit_code in (0, 3, 5), done.output
    found = store.objects("site")
    assert {name for name in found if name.startswith("results/")} == {
        *(f"results/{name}.{kind}" for name in DEMO for kind in ("verdict.json", "annotated.jpg")),
        *("results/summary.csv", "results/summary.parquet"),
    }
    here = run(
        *(str(root / "demo_images" / name) for name in DEMO), "-o", "here", "--reading-age", "20", "--quiet"
    )
    assert here.exit_code == done.exit_code
    for name in DEMO:
        stem = name.removesuffix(".jpg")
        assert found[f"results/{name}.verdict.json"] == Path(f"here/{stem}.verdict.json").read_bytes()
        assert found[f"results/{name}.annotated.jpg"] == Path(f"here/{stem}.annotated.jpg").read_bytes()
    assert sorted(row["photo"] for row in rows(found["results/summary.csv"])) == sorted(
        f"s3://site/day/{name}" for name in DEMO
    )

    import pyarrow.parquet

    table = pyarrow.parquet.read_table(io.BytesIO(found["results/summary.parquet"]))
    assert table["grade"].to_pylist() == [row["grade"] for row in rows(found["results/summary.csv"])]
    assert table["reading age min"].to_pylist() == [20.0] * 3

    store.client().delete_object(Bucket="site", Key=f"results/{DEMO[0]}.annotated.jpg")
    store.asked.clear()
    again = run("s3://site/day/", "-o", "s3://site/results", "--reading-age", "20")
    assert again.exit_code == done.exit_code
    assert "2 of 3 were done before; s3://site/results/summary-2.csv has them all" in again.stdout
    written = [line for line in store.asked if line.startswith("PUT") and ".jpg" in line]
    assert written == [f"PUT /site/results/{DEMO[0]}.annotated.jpg"], (
        "only what was missing, and the rest untouched"
    )


def test_results_among_the_photos_are_taken_for_no_photos(store: Store) -> None:
    assert run("s3://site/day", "--reading-age", "20", "--quiet").exit_code in (0, 3, 5)
    before = set(store.objects("site"))
    again = run("s3://site/day", "-o", "s3://site/day", "--reading-age", "20")
    assert "3 photos: " in again.stdout
    assert "3 of 3 were done before" in again.stdout
    assert set(store.objects("site")) - before == {"day/summary-2.csv", "day/summary-2.parquet"}


def test_a_pattern_finds_photos_at_any_depth_and_equal_names_stay_apart(store: Store) -> None:
    photo = store.objects("site")[f"day/{DEMO[0]}"]
    store.put(
        "site", **{"2026/05/süß 1.jpg": photo, "2026/06/süß 1.jpg": photo, "2026/06/notes.txt": b"no photo"}
    )
    done = run("s3://site/2026/**", "-o", "out", "--reading-age", "20", "--quiet")
    assert done.exit_code in (0, 3, 5), done.output
    assert sorted(str(path) for path in Path("out").rglob("*.json")) == [
        "out/05/süß 1.jpg.verdict.json",
        "out/06/süß 1.jpg.verdict.json",
    ]
    clash = run("s3://site/day/", "s3://other/day/", "-o", "out2")
    assert clash.exit_code == 2
    assert "s3://site/day/ and s3://other/day/ would both be written to day/" in clash.stderr


@pytest.mark.parametrize(
    ("place", "said"),
    [
        (
            "s3://nobucket/day/",
            "s3://nobucket/day/: cannot be listed (there is no such file, folder or bucket",
        ),
        ("s3://site/nothing/", "s3://site/nothing/: there is no such file, and no folder with files in it"),
        ("s3://a-key:hidden@site/x::file:///etc/passwd", "is a chain of URLs; name one file, or one folder"),
        ("nosuch://x/y.jpg", "nosuch://x/y.jpg: Protocol not known"),
    ],
)
def test_a_place_that_is_not_there_is_said_in_one_line(store: Store, place: str, said: str) -> None:
    done = run(place, "-o", "out")
    assert done.exit_code == 2, done.output
    assert said in done.stderr
    assert "hidden" not in done.output
    assert len([line for line in done.stderr.splitlines() if said in line]) == 1


def test_a_mistyped_bucket_for_the_results_is_said_and_not_made(store: Store) -> None:
    done = run("s3://site/day/", "-o", "s3://sight/out")
    assert done.exit_code == 1
    assert (
        "s3://sight/out: cannot be written (there is no such file, folder or bucket; check the name)"
        in done.stderr
    )
    assert {bucket["Name"] for bucket in store.client().list_buckets()["Buckets"]} == {"other", "site"}


def test_no_secret_of_a_url_is_printed_or_stored(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    folder = f"{store.url.replace('http://', 'http://ann:pass-word@')}/site/day"
    photos = [f"{folder}/{name}?X-Signature=s3cr3t&k=v" for name in (DEMO[0], "gone.jpg")]
    logbook = ("--logbook", "log.db", "--operator", "Ada North")
    done = run(photos[0], "-o", "out", "--reading-age", "20", *logbook)
    assert Path(f"out/{DEMO[0]}.verdict.json").exists(), done.output
    gone = run(*photos, "-o", "out", "--reading-age", "20")
    assert "/day/gone.jpg: cannot be " in gone.stderr
    assert len(CliRunner().invoke(main, ["logbook", "list", "-L", "log.db"]).stdout.splitlines()) == 2
    everything = (done.output + gone.output).encode() + b"".join(
        path.read_bytes() for path in Path().rglob("*") if path.is_file()
    )
    for secret in (b"s3cr3t", b"pass-word", b"X-Signature"):
        assert secret not in everything


def test_missing_credentials_are_said(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in (*KEYS, "AWS_ENDPOINT_URL"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"{store.url}/")  # another file system than the one that has keys
    monkeypatch.setattr("fsspec.config.conf", {})
    import s3fs  # type: ignore[import-untyped]

    s3fs.S3FileSystem.clear_instance_cache()
    done = run("s3://site/day/", "-o", "out")
    s3fs.S3FileSystem.clear_instance_cache()
    assert done.exit_code == 2
    assert "credentials" in done.stderr


def test_some_failures_of_the_server_are_tried_again_and_slow_answers_waited_for(store: Store) -> None:
    failed: dict[str, int] = {}

    def every_request_fails_once(method: str, path: str) -> tuple[int, str] | float | None:
        failed[f"{method} {path}"] = failed.get(f"{method} {path}", 0) + 1
        return (500, "InternalError") if failed[f"{method} {path}"] == 1 else 0.05

    store.trouble = every_request_fails_once
    done = run(
        f"s3://site/day/{DEMO[0]}", f"s3://site/day/{DEMO[1]}", "-o", "s3://site/out", "--reading-age", "20"
    )
    assert done.exit_code in (0, 3, 5), done.output
    assert len([name for name in store.objects("site") if name.startswith("out/")]) == 6


def test_a_server_that_fails_for_good_costs_its_photo_and_leaves_nothing_half_written(store: Store) -> None:
    store.trouble = lambda method, path: (
        (503, "ServiceUnavailable") if method == "PUT" and DEMO[1] in path and "verdict" in path else None
    )
    done = run("s3://site/day/", "-o", "s3://site/out", "--reading-age", "20")
    assert done.exit_code == 1
    lines = [line for line in done.stderr.splitlines() if "cannot be written" in line]
    assert len(lines) == 1
    assert lines[0].startswith(f"s3://site/out/{DEMO[1]}.verdict.json: cannot be written (")
    found = store.objects("site")
    assert f"out/{DEMO[1]}.verdict.json" not in found
    for name in found:
        if name.endswith(".verdict.json"):
            load_verdict(found[name])
    store.trouble = lambda method, path: None
    again = run("s3://site/day/", "-o", "s3://site/out", "--reading-age", "20")
    assert "2 of 3 were done before" in again.stdout
    assert again.exit_code in (0, 3, 5)


def test_a_place_that_nobody_may_write_to_is_said_before_anything_is_read(store: Store) -> None:
    store.trouble = lambda method, path: (403, "AccessDenied") if method in ("PUT", "POST") else None
    before = store.objects("site")
    done = run("s3://site/day/", "-o", "s3://site/out")
    assert done.exit_code == 1
    assert done.stderr.splitlines() == [
        line for line in done.stderr.splitlines() if "s3://site/out" in line and "access denied" in line
    ]
    assert not [line for line in store.asked if line.startswith("GET") and ".jpg" in line]
    assert store.objects("site") == before


def test_an_object_that_was_exchanged_since_is_read_again_and_not_mixed_up(store: Store, root: Path) -> None:
    out = ("-o", "s3://site/out", "--reading-age", "20")
    url = f"s3://site/day/{DEMO[0]}"
    run(url, *out)
    first = store.objects("site")[f"out/{DEMO[0]}.verdict.json"]
    other = (root / "demo_images" / DEMO[1]).read_bytes()
    store.put("site", **{f"day/{DEMO[0]}": other})
    store.client().delete_object(Bucket="site", Key=f"out/{DEMO[0]}.annotated.jpg")
    done = run(url, *out)
    assert f"out/{DEMO[0]}.annotated.jpg" not in store.objects("site"), "no image of another verdict"
    assert done.exit_code == 1
    assert "exists and holds something else; write elsewhere or give --force" in done.stderr
    assert store.objects("site")[f"out/{DEMO[0]}.verdict.json"] == first
    assert run(url, *out, "--force").exit_code in (0, 3, 5)
    verdict = json.loads(store.objects("site")[f"out/{DEMO[0]}.verdict.json"])
    import hashlib

    assert verdict["photo"]["sha256"] == hashlib.sha256(other).hexdigest()


def put_table(store: Store, text: str, name: str = "day/plates.csv") -> str:
    store.put("site", **{name: text.encode()})
    return f"s3://site/{name}"


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_table_in_the_store_says_of_each_photo_whose_plate_it_is(store: Store, form: str) -> None:
    text = f"photo,tank,drops\n{DEMO[0]},North,\ns3://site/day/{DEMO[1]},Helipad,\n"
    table = put_table(store, text)
    if form == "parquet":
        import pyarrow.csv
        import pyarrow.parquet

        data = io.BytesIO()
        pyarrow.parquet.write_table(pyarrow.csv.read_csv(io.BytesIO(text.encode())), data)
        store.put("site", **{"day/plates.parquet": data.getvalue()})
        table = "s3://site/day/plates.parquet"
    done = run("--table", table, "-o", "s3://site/out")
    assert done.exit_code in (0, 3, 5), done.output
    found = store.objects("site")
    tanks = {
        name: load_verdict(found[f"out/{name}.verdict.json"]).statement.tank  # type: ignore[union-attr]
        for name in DEMO[:2]
    }
    assert tanks == {DEMO[0]: "North", DEMO[1]: "Helipad"}
    assert [row["tank"] for row in rows(found["out/summary.csv"])] == ["North", "Helipad"]


def test_a_table_of_this_machine_may_name_photos_in_the_folder_that_the_command_names(store: Store) -> None:
    Path("plates.csv").write_text(f"photo,tank\n{DEMO[0]},North\n", encoding="utf-8")
    done = run("s3://site/day/", "--table", "plates.csv", "-o", "out")
    assert done.exit_code in (0, 3, 5), done.output
    assert load_verdict(Path(f"out/{DEMO[0]}.verdict.json")).statement.tank == "North"  # type: ignore[union-attr]


@pytest.mark.parametrize(
    "row",
    ["../secret.jpg", "s3://other/secret.jpg", "file:///etc/passwd", "/etc/passwd", "x/../../secret.jpg", "a//b.jpg",
     "s3://site/day/../x.jpg", "s3://site/day2/x.jpg", "..\\\\x.jpg", "simplecache::s3://other/secret.jpg", "*.jpg"],
)  # fmt: skip
def test_a_row_that_points_elsewhere_reads_nothing_there(store: Store, row: str) -> None:
    done = run("--table", put_table(store, f"photo,tank\n{row},North\n"), "-o", "out")
    assert done.exit_code == 2
    assert "does not lie below the table's own folder; move the photo there" in done.stderr
    assert not [line for line in store.asked if re.search("secret|passwd", line)]
    assert not list(Path("out").rglob("*.json"))


def test_one_photo_for_two_plates_is_said(store: Store) -> None:
    same = store.objects("site")[f"day/{DEMO[0]}"]
    store.put("site", **{"day/copy.jpg": same})
    many = "".join(f"{name},T{k}\n" for k, name in enumerate(DEMO))
    twice = run("--table", put_table(store, f"photo,tank\n{many}{DEMO[0]},South\n"), "-o", "out")
    assert twice.exit_code == 2
    assert f"line 5: {DEMO[0]} stands in line 2 already; each plate has its own photo" in twice.stderr


@pytest.mark.posix
def test_workers_of_a_cluster_read_and_write_in_the_store_themselves(store: Store, tmp_path: Path) -> None:
    with local_cluster(tmp_path / "dask", workers=0) as cluster:
        cluster.add_workers(1, "--nthreads", "1", "--no-nanny")
        done = run("s3://site/day/", "-o", "s3://site/out", "--reading-age", "20", "--on", cluster.address)
    assert done.exit_code in (0, 3, 5), done.output
    assert len([name for name in store.objects("site") if name.startswith("out/")]) == 8
    assert not (tmp_path / "out").exists()


def test_a_million_objects_are_listed_a_page_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    pages: WeakSet[Page] = WeakSet()

    class Huge:
        """A file system that has pages as S3 has them."""

        def isfile(self, path: str) -> bool:
            return False

        def call_s3(self, what: str, **asked: Any) -> "Page":
            first, last = (
                int(asked.get("ContinuationToken", 0)),
                int(asked.get("ContinuationToken", 0)) + asked["MaxKeys"],
            )
            page = Page(Contents=[{"Key": f"day/{number:07}.jpg"} for number in range(first, last)])
            page |= {"IsTruncated": last < 1_000_000, "NextContinuationToken": str(last)}
            pages.add(page)
            return page

    monkeypatch.setattr(urls, "_file_system", lambda url: (Huge(), url.path))
    place = urls.place_of("s3://bucket/day/")
    assert isinstance(place, urls.Url)
    n, most = 0, 0
    for n, _ in enumerate(urls.files_at(place), 1):
        if n % 1000 == 1:
            most = max(most, len(pages))
    assert (n, most <= 2) == (1_000_000, True)


class Page(dict[str, Any]):
    """A dictionary that can be told to be gone."""

    __hash__ = object.__hash__  # type: ignore[assignment]
