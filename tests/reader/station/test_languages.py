"""Languages: English stands once, in the reader's own tables; a site's file is checked, and shown where reviewed."""

import html
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import get_args

import pytest
from babel.messages.catalog import Message
from babel.messages.pofile import read_po, write_po
from starlette.testclient import TestClient

from reader.decide.reasons import REASONS, Reason
from reader.refusals import FLAGS, REFUSALS
from reader.station import said
from reader.station.app import station
from reader.station.desk import Desk
from reader.station.guard import Place
from reader.station.languages import Languages, Report, load_languages, read_language, source_of, template
from reader.station.reader_texts import reader_texts
from reader.station.texts import FILLED, english, names_in
from reader.verdict.in_words import pivotal_marks, why
from reader.verdict.model import ReasonRecord
from reader.words import GRADES, Call
from tests.reader.review.samples import read_plate
from tests.reader.station.desks import OURS, opened_desk
from tests.reader.station.pseudo import pseudo

BARE = re.compile(r"\u27e6[^\u27e6\u27e7]*\u27e7")


def bare(text: str) -> str:
    """What of a text in the pseudo-language is no text of the catalogue."""
    while BARE.search(text):
        text = BARE.sub("", text)
    return text


# --- English stands once ------------------------------------------------------------------------------------------


def sample(template: str) -> dict[str, float | str]:
    """A value for every place of a template, as the reader has them."""
    return {
        name: 3.25 if spec else "2" if name in said.NUMBERS else "3 (4, 5)" if name == "windows" else "7"
        for name, spec in FILLED.findall(template)
    }


def test_english_is_the_readers_own_word_for_word() -> None:
    texts = english()
    for code, words in reader_texts().items():
        values = sample(words)
        assert texts.filled(code, values) == words.format(**values), code
    assert {code for code in texts.by_code if code.startswith("flag.")} == {f"flag.{one}" for one in FLAGS}
    assert {code for code in texts.by_code if code.startswith("reason.")} == {
        f"reason.{one}" for one in REASONS
    }
    assert {f"refusal.{one}.{part}" for one in REFUSALS for part in ("reason", "remedy")} <= set(
        texts.by_code
    )
    for grade in (*GRADES, "undecided", "refused"):
        assert {f"grade.{grade}", f"answer.means_{grade}"} <= set(texts.by_code)
    for call in get_args(Call):
        assert f"call.{call}" in texts.by_code


@pytest.mark.parametrize("group", sorted({code.partition(".")[0] for code in reader_texts()}))
def test_every_sentence_that_the_reader_makes_is_known_by_its_template(group: str) -> None:
    spoken = pseudo()
    for code, words in reader_texts().items():
        if code.partition(".")[0] == group and group not in ("reason", "refusal"):  # these come with codes
            sentence = words.format(**sample(words))
            assert not re.search("[a-z]{2}", bare(said.told(spoken, sentence, group))), sentence


def test_every_reason_is_said_by_its_code_with_its_numbers() -> None:
    verdict = read_plate()
    mark = verdict.windows[0].indicator
    for code, words in REASONS.items():
        names = names_in(words)
        values: dict[str, float | str] = dict.fromkeys(names - {"flag_sentence", "dye"}, 0.0123)
        if "dye" in names:
            values["dye"] = "blue"
        if "flag_sentence" in names:
            values["flag"] = "smoothed"
        reason = Reason(code=code, values=values)
        made = mark.model_copy(
            update={
                "reasons": (reason.sentence,),
                "reason_codes": (ReasonRecord(code=code, values=dict(values)),),
            }
        )
        assert said.reasons(english(), made) == (reason.sentence,)
        (spoken,) = said.reasons(pseudo(), made)
        assert not re.search("[a-z]{2}", bare(spoken)), spoken
    old = mark.model_copy(update={"reasons": ("as an earlier version said it",), "reason_codes": ()})
    assert said.reasons(pseudo(), old) == ("as an earlier version said it",)


def test_a_whole_verdict_is_said_in_another_language() -> None:
    doubt: Call = "doubtful"
    none: Call = "absent"
    dyed: Call = "undeveloped"
    calls: list[dict[str, Call]] = [
        {},
        {"indicator_3": doubt},
        {"indicator_3": doubt, "indicator_4": doubt, "reference_1": doubt},
        {"indicator_1": none},
        {"indicator_1": none, "indicator_3": none},
        {"indicator_2": none},
        {"indicator_2": none, "indicator_5": doubt, "indicator_6": none},
        {"reference_2": dyed, "reference_4": none},
    ]
    for verdict in (
        *(read_plate("in_range", None, **one) for one in calls),
        *(read_plate(age, None, **calls[4]) for age in ("early", "late")),
    ):
        assert said.why(english(), verdict) == why(verdict)
        assert said.pivotal_marks(english(), verdict) == pivotal_marks(verdict)
        spoken = [said.why(pseudo(), verdict), said.next_steps(pseudo(), verdict.next_step)]
        spoken += [said.warning(pseudo(), told) for told in verdict.warnings]
        if verdict.reading_age is not None:
            spoken.append(said.age(pseudo(), verdict.reading_age.sentence))
        for text in spoken:
            assert not re.search("[a-z]{2}", bare(text)), text


def test_what_people_wrote_stays_as_it_is() -> None:
    own = "Call Ms. Aalto at once; she decides."
    assert said.next_steps(pseudo(), own) == own
    assert said.departure(pseudo(), own) == own
    assert said.rule(pseudo(), own) == own


# --- a site's file -------------------------------------------------------------------------------------------------


def write_language(
    folder: Path,
    tag: str = "de",
    *,
    reviewer: str = "Jo Kim, 2026-05-04",
    change: Callable[[Message], None] | None = None,
) -> Path:
    """A file as the keeper's page gives it, every text translated, then changed."""
    data = template(tag).decode().replace("X-Reviewed-By: \\n", f"X-Reviewed-By: {reviewer}\\n")
    catalog = read_po(BytesIO(data.encode()))
    for message in catalog:
        if message.id:
            text = f"\u00ab{message.id if isinstance(message.id, str) else message.id[-1]}\u00bb"
            message.string = (
                text
                if isinstance(message.id, str)
                else tuple(f"{k}: {text}" for k in range(catalog.num_plurals))
            )
            if change is not None:
                change(message)
    into = BytesIO()
    write_po(into, catalog, omit_header=True, width=0)
    path = folder / "texts" / f"{tag}.po"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(data.encode().partition(b"\nmsgctxt ")[0] + b"\n" + into.getvalue())
    return path


def changed(code: str, **to: object) -> Callable[[Message], None]:
    def change(message: Message) -> None:
        if message.context == code:
            for name, value in to.items():
                setattr(message, name, value)

    return change


def test_a_whole_file_is_offered_with_its_plurals_and_its_numbers(tmp_path: Path) -> None:
    report = read_language(write_language(tmp_path, "pl"))
    assert (report.problem, report.refused, report.missing, report.unreviewed) == ("", (), (), ())
    assert report.n == len(english().by_code)
    texts = load_languages(tmp_path).choose(None, "pl-PL,pl;q=0.9,en;q=0.5")
    assert texts.language == "pl"
    assert [texts("today.late", n)[0] for n in (1, 2, 5, 22, 112)] == [
        "0",
        "1",
        "2",
        "1",
        "2",
    ]  # CLDR's for Polish
    assert (
        texts("reason.short", span=0.5, least=0.8)
        == "\u00abit crosses 50% of the breadth, less than 80%\u00bb"
    )
    assert "0,0123" in texts("reason.above_blank", height=0.01234, needed=1.0)
    assert texts.listed(["1", "2", "3"], "or") == "1, 2 lub 3"


@pytest.mark.parametrize(
    ("code", "string", "why"),
    [
        ("today.unsent", "nichts", "leaves out {n}"),
        ("today.unsent", "{n} {name}", "fills in {name}"),
        ("today.unsent", "{n.__class__}", "braces"),
        ("today.unsent", "{n:>999999999}", "braces"),
        ("today.unsent", "{n} {", "braces"),
        ("page.home", "\u202egnol\u202c", "control characters"),
        ("reason.above_blank", "hoch genug", "leaves out"),
        ("refusal.too_small.reason", "zu klein", "leaves out"),
    ],
)
def test_a_text_that_would_say_less_or_more_is_shown_in_english(
    tmp_path: Path, code: str, string: str, why: str
) -> None:
    report = read_language(write_language(tmp_path, change=changed(code, string=string)))
    assert [(one, why in told) for one, told in report.refused] == [(code, True)]
    assert report.texts is not None
    assert report.texts.by_code[code] == english().by_code[code]
    assert any(code in line for line in report.lines())


def test_prose_in_a_refusal_may_be_left_out(tmp_path: Path) -> None:
    report = read_language(
        write_language(tmp_path, change=changed("refusal.blurred.reason", string="unscharf"))
    )
    assert not report.refused


def test_what_is_not_reviewed_as_it_stands_is_shown_in_english(tmp_path: Path) -> None:
    code = "answer.means_undecided"
    for change, part in (
        (changed(code, flags={"fuzzy"}), "unreviewed"),
        (changed(code, string=""), "missing"),
        (changed(code, id="A doubt is left."), "changed"),
    ):
        report = read_language(write_language(tmp_path, change=change))
        assert getattr(report, part) == (code,)
        assert report.texts is not None
        assert report.texts(code) == english()(code)
        again = read_po(BytesIO(template("de", report)))
        entry = next(one for one in again if one.context == code)
        assert entry.id == source_of(code)[0], "the English text of today is what is to be translated"
        assert bool(entry.string) == bool(entry.fuzzy), "what there was is kept, and marked to be looked at"


def test_a_file_without_a_reviewer_is_told_of_and_offered_to_nobody(tmp_path: Path) -> None:
    write_language(tmp_path, reviewer="")
    found = load_languages(tmp_path)
    assert list(found.offered) == ["en"]
    assert any("X-Reviewed-By" in line for line in found.reports[0].lines())


@pytest.mark.parametrize(
    "data",
    [
        b"", b"\xff\xfe\x00", b'msgid "a\n', b'msgid ""\nmsgstr "Language: xx-nowhere\\n"\n',
        b'msgid ""\nmsgstr ""\n"Language: de\\n"\n"Plural-Forms: nplurals=2; plural=n/0;\\n"\n',
        b'msgid ""\nmsgstr ""\n"Language: de\\n"\n"Plural-Forms: nplurals=2; plural=n;\\n"\n',
        b'msgid ""\nmsgstr ""\n"Language: de\\n"\n"Plural-Forms: nplurals=2; plural=__import__(1);\\n"\n',
    ],
)  # fmt: skip
def test_a_file_that_is_none_is_told_of_and_stops_nothing(tmp_path: Path, data: bytes) -> None:
    folder = tmp_path / "texts"
    folder.mkdir()
    (folder / "de.po").write_bytes(data)
    found = load_languages(tmp_path)
    assert list(found.offered) == ["en"]
    assert found.reports[0].problem
    assert "de.po" in found.reports[0].lines()[0]


def test_two_files_of_one_language_are_not_both_taken(tmp_path: Path) -> None:
    path = write_language(tmp_path)
    (path.parent / "z.po").write_bytes(path.read_bytes())
    first, second = load_languages(tmp_path).reports
    assert first.is_offered
    assert "one file a language" in second.problem


# --- which language ------------------------------------------------------------------------------------------------


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(tmp_path) as opened:
        hostile = changed("enter.title", string="<script>alert(1)</script> &amp;")
        write_language(tmp_path, change=hostile)
        write_language(tmp_path, "ar")
        yield replace(opened, languages=load_languages(tmp_path))


@pytest.fixture
def phone(desk: Desk) -> TestClient:
    return TestClient(station(desk, Place(hosts=frozenset({"testserver"}))), headers=OURS)


def test_a_browser_gets_what_it_accepts_and_a_person_what_they_chose(phone: TestClient) -> None:
    def language(**headers: str) -> str:
        found = re.search(r'<html lang="([\w-]+)"( dir="rtl")?>', phone.get("/", headers=headers).text)
        assert found is not None
        return found[1] + (found[2] or "")

    assert language() == "en"
    assert language(**{"Accept-Language": "fr, de-AT;q=0.8, en;q=0.7"}) == "de"
    assert language(**{"Accept-Language": "en-GB, de;q=0.8"}) == "en"
    assert language(**{"Accept-Language": "ar"}) == 'ar dir="rtl"'
    assert language(**{"Accept-Language": ";;q=x,*,-,de;q=0"}) == "en"
    answer = phone.post("/language", data={"language": "ar", "back": "/help"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/help")
    assert language(**{"Accept-Language": "de"}) == 'ar dir="rtl"'
    phone.post("/language", data={"language": "en"})
    assert language(**{"Accept-Language": "de"}) == "en"


@pytest.mark.parametrize("back", ["//evil.example/", "https://evil.example", "/\\evil", "evil", "/%2f/x", ""])
def test_choosing_a_language_leads_nowhere_else(phone: TestClient, back: str) -> None:
    answer = phone.post("/language", data={"language": "xx", "back": back}, follow_redirects=False)
    assert answer.headers["location"] == "/"
    assert "set-cookie" not in answer.headers


def test_markup_in_a_file_is_shown_as_text_and_told_to_the_keeper(desk: Desk, phone: TestClient) -> None:
    page = phone.get("/", headers={"Accept-Language": "de"}).text
    assert "<script>alert" not in page
    assert html.escape("<script>alert(1)</script> &amp;") in page
    report = next(one for one in desk.languages.reports if one.file == "de.po")
    assert report.markup == ("enter.title",)


def test_the_keeper_sees_what_was_found_and_saves_files_to_translate(desk: Desk, phone: TestClient) -> None:
    secret = desk.sign_ins.make_link("Dora Kettle", now=desk.now())
    assert phone.post("/pair", json={"secret": secret}).is_success
    page = phone.get("/keeping/languages", headers={"Accept-Language": "en"}).text
    assert "Jo Kim" in page
    assert "Deutsch" in page
    new = phone.get("/keeping/languages/new.po?language=fr")
    assert new.headers["content-disposition"] == 'attachment; filename="fr.po"'
    assert {one.context for one in read_po(BytesIO(new.content)) if one.id} == set(english().by_code)
    own = read_po(BytesIO(phone.get("/keeping/languages/de.po").content))
    assert not [one for one in own if one.id and not one.string]
    for tag in ("nowhere", "../de", "de/../../x"):
        assert phone.get("/keeping/languages/new.po", params={"language": tag}).status_code == 404
    reviewer = TestClient(phone.app, headers=OURS)
    reviewer.post("/pair", json={"secret": desk.sign_ins.make_link("Ben South", now=desk.now())})
    assert reviewer.get("/keeping/languages").status_code == 403


def test_without_files_nothing_is_chosen() -> None:
    assert Languages().choose("de", "de") is english()
    assert not Report(file="x.po").is_offered
