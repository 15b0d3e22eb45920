"""The settings sheet as a document: well formed, complete, self-contained, escaped."""

import builtins
import itertools
import re
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import msgspec
import pytest
from places import SAVED_PLANS

from roomeq.base.cautions import Caution, CautionCode
from roomeq.base.errors import RoomeqError, SheetFileError
from roomeq.base.files import InputFile
from roomeq.cli.main import main
from roomeq.device.crossover import HighPass
from roomeq.optimiser.drive.protection import ProtectionChange, ProtectionChoice, ProtectionReason
from roomeq.plan.plan import read_plan, write_plan
from roomeq.report.sheet import sheet
from roomeq.report.sheet.sheet import plan_names, settings_sheet, write_settings_sheet
from roomeq.report.text.plan import plan_text

SAVED = SAVED_PLANS / "format_1.json"
HOSTILE = """<script>alert('1')</script> "&' <b x=" onload='y'>"""
# Elements without an end tag: HTML Living Standard, section 13.1.2 (void elements). In SVG, where
# they are written with a slash, html.parser reports a start and an end tag.
VOID = {"meta", "input", "br", "link", "img", "hr"}
replace = msgspec.structs.replace


class Document(HTMLParser):
    """Collects tags, attributes and text by section; fails on an unbalanced tag."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.words, self.section = [], [], {}, None
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"an attribute stands twice in <{tag}>"
        self.tags.append((tag, dict(attrs)))
        if tag == "section" and dict(attrs).get("class") == "page":
            self.section = dict(attrs)["id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.setdefault(self.section, []).append(data.strip())

    def handle_decl(self, decl):
        assert decl == "DOCTYPE html"

    def page(self, name):
        text = " ".join(word for word in self.words[name] if word)
        return text.replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ")

    def named(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def plan():
    return read_plan(SAVED)


@pytest.fixture(scope="module")
def film(plan):
    bands = tuple(replace(band, gain_db=band.gain_db - 1.5) for band in plan.bands)
    return replace(plan, bands=bands)


def rows_of(page):
    """Return what stands behind each band's name, up to the next band."""
    bands = page.split("Bands of the equaliser", 1)[1].split("Measure again", 1)[0]
    pieces = re.split(r"([\d.]+) Hz", bands)
    return dict(zip(pieces[1::2], pieces[2::2], strict=True))


def test_document_is_well_formed_and_labelled(plan, film):
    for plans in ({"music": plan}, {"music": plan, "film": film}):
        document = Document(settings_sheet(plans))
        assert document.tags[0] == ("html", {"lang": "en-GB"})
        assert {"charset": "utf-8"} in document.named("meta")
        assert len(document.named("title")) == 1
        ids = [attributes["id"] for _, attributes in document.tags if "id" in attributes]
        assert len(ids) == len(set(ids))
        referred = {a["aria-labelledby"] for _, a in document.tags if "aria-labelledby" in a}
        assert referred <= set(ids)
        assert document.named("th")
        assert all(
            a.get("scope") in ("col", "row", "colgroup", "rowgroup") for a in document.named("th")
        )
        assert all(a.get("aria-label") for a in document.named("input"))
        assert len(document.named("h1")) == 1


def test_nothing_is_fetched(plan):
    text = settings_sheet({"music": plan})
    document = Document(text)
    loading = {"src", "href", "srcset", "data", "action", "poster", "background", "xlink:href"}
    for tag, attributes in document.tags:
        assert not loading & set(attributes), tag
        assert tag not in ("script", "link", "iframe", "object", "embed", "base", "img")
        assert not any(name.startswith("on") for name in attributes)
    assert not re.search(r"url\(|@import|https?:|//\w", text)


def test_every_setting_stands_on_the_first_page(plan, film):
    page = Document(settings_sheet({"music": plan, "film": film})).page("settings")
    rows = rows_of(page)
    assert list(rows) == [band.label for band in plan.bands]
    for band, other in zip(plan.bands, film.bands, strict=True):
        settings = re.sub(r"was [-+]?[\d.]+ dB", "", rows[band.label])
        found = [float(value) for value in re.findall(r"([-+]?[\d.]+) dB", settings)]
        assert found == [band.gain_db, other.gain_db]
        was = [float(value) for value in re.findall(r"was ([-+]?[\d.]+) dB", rows[band.label])]
        assert was == [x.present_db for x in (band, other) if x.gain_db != x.present_db]
    assert f"{plan.level.setting_db:+.1f} dB" in page
    for name in ("music", "film"):
        assert f" {name} " in page


def test_steps_come_in_working_order_and_unknown_ones_are_left(plan):
    page = Document(settings_sheet({"music": plan})).page("settings")
    order = [
        "Low-pass and its bypass",
        "Protective high-pass",
        "Delay",
        "Polarity",
        "Phase control",
        "Level knob",
        "Bands of the equaliser",
        "Measure again",
        "Do not touch",
        "Cautions",
    ]
    places = [page.index(words) for words in order]
    assert places == sorted(places)
    for words, following in itertools.pairwise(order[1:6]):
        step = page[page.index(words) : page.index(following)]
        assert "Leave as it is" in step
    assert plan.target.path[0].removeprefix("low-pass ") in page
    numbers = re.findall(r" (\d) (?=[A-Z])", page[: page.index("Do not touch")])
    assert numbers == list("12345678")
    level = replace(plan.level, setting_db=None, change_db=5.0)
    page = Document(settings_sheet({"music": replace(plan, level=level)})).page("settings")
    assert "every value is the setting itself, but in step 6 a change" in page


def test_cautions_stand_first_page_and_evidence_second(plan):
    wary = replace(
        plan,
        cautions=(
            Caution(code=CautionCode.WORKS_HARDER, value=4.0),
            Caution(code=CautionCode.SEAT_GETS_WORSE, value=2.5, name="back row"),
        ),
        assumptions=("the ceiling is there",),
        record={"date": "2024-02-29", "by": "the calibrator", "drive_level": "-20 dB"},
    )
    document = Document(settings_sheet({"music": wary}))
    first, second = document.page("settings"), document.page("evidence")
    assert first.index("Seat back row gets worse by 2.5 dB") < first.index(
        "Up to 4.0 dB more drive"
    )
    assert "protective earth" in first
    for words in ("2024-02-29", "the calibrator", "not stated", "the ceiling is there"):
        assert words in second
    assert f"{plan.deviation_before_db:.1f} \N{RIGHTWARDS ARROW}" in first
    assert f"{plan.deviation_after_db:.1f} dB predicted" in first
    for entry in plan.inputs:
        assert entry.file in second
        assert entry.sha256 in second
    for seat in plan.seats:
        assert seat.seat in second
    assert "second subwoofer" in second
    assert "the ceiling is there" not in first


def test_says_which_plan_it_is_and_who_made_it_when(plan, film):
    def head(plans):
        page = Document(settings_sheet(plans)).page("settings")
        return page[: page.index("Volume down")]

    made = replace(plan, date=date(2024, 5, 31), by="Ada")
    assert "Plan music, made 2024-05-31 by Ada." in head({"music": made})
    assert "Plan music." in head({"music": plan})
    both = head({"music": made, "film": replace(film, date=date(2024, 5, 31), by="Ada")})
    assert "Plans music and film, made 2024-05-31 by Ada." in both
    assert "Plans music, made 2024-05-31 by Ada; film." in head({"music": made, "film": film})
    page = Document(settings_sheet({"music": plan})).page("settings")
    assert page.endswith("Set by Date Signed")


def test_minus_signs_are_of_one_kind(plan):
    """But in names of files, which are to be found by them."""
    said = replace(
        plan,
        record={"date": "2024-02-29", "drive_level": "player at -20 dB"},
        cautions=(Caution(code=CautionCode.LEVEL_TOO_HIGH, value=-1.0, frequency=20.0),),
        assumptions=("the knob stood at -3 dB",),
        notes=("a.txt: level -0.5 dB at 20 Hz",),
        inputs=(InputFile(file="-20.txt", role="room", sha256="a" * 64),),
    )
    for plans in ({"music": said}, {"music": said, "film": said}):
        text = re.sub(r"<(style|svg).*?</\1>", "", settings_sheet(plans), flags=re.DOTALL)
        words = re.sub(r"<[^>]*>", " ", text)
        assert set(re.findall(r"(?<![\w.])-\d[\w.]*", words)) == {"-20.txt"}
        assert words.count("\N{MINUS SIGN}") > 10
        assert "2024-02-29" in words


def test_what_comes_from_files_is_escaped(plan):
    seats = (replace(plan.seats[0], seat=HOSTILE), *plan.seats[1:])
    hostile = replace(
        plan,
        room=HOSTILE,
        seats=seats,
        record={"date": HOSTILE, "by": HOSTILE, HOSTILE: HOSTILE},
        device=replace(plan.device, name=HOSTILE),
        target=replace(plan.target, path=("low-pass " + HOSTILE,)),
        inputs=(InputFile(file=HOSTILE, role=HOSTILE, sha256=HOSTILE),),
        cautions=(Caution(code=CautionCode.SEAT_GETS_WORSE, value=1.0, name=HOSTILE),),
        assumptions=(HOSTILE,),
        notes=(f"{HOSTILE}: {HOSTILE}",),
        roomeq_version=HOSTILE,
    )
    bands = (replace(plan.bands[0], label=HOSTILE), *plan.bands[1:])
    for plans in ({HOSTILE: replace(hostile, bands=bands)}, {HOSTILE: hostile, "b": hostile}):
        text = settings_sheet(plans)
        document = Document(text)
        assert {tag for tag, _ in document.tags} == {
            tag for tag, _ in Document(settings_sheet(dict.fromkeys(map(str, plans), plan))).tags
        } | {"li"}
        assert not document.named("script")
        assert not document.named("b")[0].get("x")
        assert not any("onload" in a or "x=" in a for _, a in document.tags)
        assert HOSTILE in document.page("settings")
        assert HOSTILE in document.page("evidence")
        assert "<script" not in text


def test_no_change_says_so_first(plan):
    bands = tuple(replace(band, gain_db=band.present_db) for band in plan.bands)
    level = replace(plan.level, change_db=0.0, exact_change_db=0.0, residual_db=0.0)
    still = replace(plan, bands=bands, level=level, no_change="improvement_too_small")
    page = Document(settings_sheet({"music": still})).page("settings")
    assert page.index("Change nothing") < page.index("Low-pass")
    assert "Not needed" in page
    assert "was " not in "".join(rows_of(page).values())


def test_a_high_pass_that_is_to_be_set_is_a_change(plan):
    bands = tuple(replace(band, gain_db=band.present_db) for band in plan.bands)
    level = replace(plan.level, change_db=0.0, exact_change_db=0.0, residual_db=0.0)
    high_pass = ProtectionChoice(
        high_pass=HighPass(family="butterworth", order=4, corner=25.0),
        present=HighPass(family="butterworth", order=2, corner=16.0),
        change=ProtectionChange.STRENGTHENED,
        reason=ProtectionReason.RELIEF_NEEDED,
    )
    still = replace(plan, bands=bands, level=level, no_change="improvement_too_small")
    moved = replace(still, protection=high_pass)
    page = Document(settings_sheet({"music": moved})).page("settings")
    assert "Change only the protective high-pass" in page
    assert "Not needed" not in page
    assert "no change of the bands proposed" in page
    for text in (page, " ".join(plan_text(moved).split())):
        assert "change only the protective high-pass" in text
        assert "Keep what is set." not in text
    assert repr(still).endswith(": no change>")
    assert not repr(moved).endswith(": no change>")
    louder = replace(moved, level=replace(level, change_db=2.0))
    text = " ".join(plan_text(louder).split())
    assert "change only the level and the protective high-pass" in text


def test_plans_of_different_rooms_and_devices_are_refused(plan, film):
    elsewhere = replace(film, room="Elsewhere")
    other = replace(film, device=replace(film.device, name="Another", profile="another"))
    again = replace(film, device=replace(film.device, step_db=0.25))
    for different, said in ((elsewhere, "rooms"), (other, "devices"), (again, "states of the")):
        with pytest.raises(ValueError, match=f"different {said}"):
            settings_sheet({"music": plan, "film": different})
        settings_sheet({"music": plan, "film": different}, mixed=True)
    with pytest.raises(ValueError, match="at least one plan"):
        settings_sheet({})


def test_mixed_devices_show_only_bands_they_have(plan, film):
    fewer = replace(film, bands=film.bands[:-1], room="Elsewhere")
    rows = rows_of(Document(settings_sheet({"a": plan, "b": fewer}, mixed=True)).page("settings"))
    assert "no such band" in rows[plan.bands[-1].label]
    assert "no such band" not in rows[plan.bands[0].label]


def test_a_failed_write_leaves_the_old_sheet_and_nothing_else(plan, tmp_path, monkeypatch):
    target = tmp_path / "sheet.html"
    write_settings_sheet({"earlier": plan}, target)
    old = target.read_text("utf-8")
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(OSError("full")))
    with pytest.raises(OSError, match="full"):
        write_settings_sheet({"music": plan}, target)
    assert target.read_text("utf-8") == old
    assert [path.name for path in tmp_path.iterdir()] == ["sheet.html"]


def test_a_sheet_gives_way_to_a_sheet_and_nothing_else_does(plan, tmp_path):
    sheet = tmp_path / "sheet.html"
    write_settings_sheet({"music": plan}, sheet)
    write_settings_sheet({"late": plan}, sheet)
    assert sheet.read_text("utf-8") == settings_sheet({"late": plan})
    for name, text in (("room.toml", "format = 1\n"), ("page.html", "<!DOCTYPE html><p>mine</p>")):
        other = tmp_path / name
        other.write_text(text, "utf-8")
        said = rf"{name}: exists and is not a settings sheet.*another name"
        with pytest.raises(SheetFileError, match=said):
            write_settings_sheet({"music": plan}, other)
        assert other.read_text("utf-8") == text
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "page.html",
        "room.toml",
        "sheet.html",
    ]


def test_without_jinja2_the_remedy_is_said(plan, monkeypatch):
    real = builtins.__import__

    def refuse(name, *arguments, **named):
        if name == "jinja2":
            raise ImportError(name)
        return real(name, *arguments, **named)

    sheet._template.cache_clear()
    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(RoomeqError, match=r"roomeq\[report\]"):
        settings_sheet({"music": plan})


def test_names_are_stems_unless_they_clash():
    assert plan_names(["a/music.json", "film.json"]) == ("music", "film")
    assert plan_names(["a/plan.json", "b/plan.json"]) == ("a/plan.json", "b/plan.json")
    with pytest.raises(ValueError, match="given twice"):
        plan_names(["a.json", "a.json"])


def test_command_writes_a_sheet(plan, film, tmp_path, capsys):
    write_plan(plan, tmp_path / "music.json")
    write_plan(replace(film, room="Elsewhere"), tmp_path / "film.json")
    sheet = tmp_path / "sheet.html"
    plans = [str(tmp_path / "music.json"), str(tmp_path / "film.json")]
    assert main(["sheet", *plans, "--output", str(sheet)]) == 2
    assert "different rooms" in capsys.readouterr().err
    assert not sheet.exists()
    assert main(["sheet", *plans, "--mixed", "--output", str(sheet)]) == 0
    assert sheet.read_text("utf-8") == settings_sheet(
        {"music": plan, "film": replace(film, room="Elsewhere")}, mixed=True
    )
    before = Path(plans[0]).read_bytes()
    assert main(["sheet", plans[0], "--output", plans[0]]) == 2
    assert "one of the plans" in capsys.readouterr().err
    assert Path(plans[0]).read_bytes() == before
