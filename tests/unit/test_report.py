"""A map's report: whole in one file, nothing loaded, all text escaped, numbers that agree with the map."""

from __future__ import annotations

import base64
import contextlib
import html.parser
import math
import re
import sys
import zlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from terrain.cli.main import cli
from terrain.data import Label
from terrain.errors import DataError, MissingSystemLibraryError
from terrain.maps.contents import InputFile
from terrain.maps.store import TerrainMap, open_map
from terrain.report import render
from terrain.report.checks import checks_of, history_of
from terrain.report.collect import _footholds, _within, collect, decision_rows, decisions_note, label_areas, patch_rows
from terrain.report.sections import Line, cut, default_lines
from tests.support.grounds import Block, Layer, block, box, build_ground, flat, plane
from tests.support.rasters import level_of, map_of

NASTY = "<script>alert('\"&amp;')</script>"


class Page(html.parser.HTMLParser):
    """Gathers tags, every address in attributes, text, and the cells of tables."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.without_words = 0
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        known = dict(attrs)
        self.addresses += [str(known[name]) for name in ("src", "href", "srcset", "data", "action") if name in known]
        self.without_words += tag == "img" and not known.get("alt")

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def ramp_map(folder: Path, *, blocks: tuple[Block, ...] = (), **changes: object) -> TerrainMap:
    """Return a map of a ramp that rises 1 in 10 along x, with a block's top 0.2 m over it in the middle."""
    top = box(1.8, 1.0, 2.4, 2.0, 0.45)
    ground = build_ground(
        Layer(plane(0.1, 0.0)), Layer(top, patch_id=1), x_m=(0, 4), y_m=(0, 3), blocks=blocks, merge=True
    )

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where(np.isfinite(top(x, y)), 0.45, 0.1 * x)

    return map_of(folder, level_of(height), ground=ground, **changes)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> TerrainMap:
    inputs = (InputFile("scans/one.laz", "ab" * 32, 12345), InputFile(NASTY, "cd" * 32, 6))
    return ramp_map(tmp_path_factory.mktemp("report") / "yard", survey_name=NASTY, inputs=inputs, warnings=(NASTY,))


@pytest.fixture(scope="module")
def page(yard: TerrainMap) -> str:
    return render.to_html(collect(yard))


# --------------------------------------------------------------------------- the page


def test_the_page_loads_and_runs_nothing(page: str) -> None:
    read = Page(page)
    assert all(address.startswith("data:image/") for address in read.addresses)
    assert not {"script", "link", "iframe", "object", "form", "base"} & set(read.tags)
    assert re.search(r"url\(|@import|https?://", page.split("<style>")[1].split("</style>")[0]) is None
    assert "default-src 'none'" in page


def test_all_text_is_escaped(page: str) -> None:
    assert NASTY not in page
    assert Page(page).text.count(NASTY) >= 3  # title, warning, input: shown as text


def test_every_picture_has_words_and_is_whole(page: str) -> None:
    read = Page(page)
    assert read.tags.count("img") >= 4
    assert read.without_words == 0
    for address in read.addresses:
        kind, data = address.split(";base64,")
        raw = base64.b64decode(data, validate=True)
        assert raw.startswith(b"\x89PNG" if kind == "data:image/png" else b"<?xml")
        assert b"<dc:date>" not in raw


def test_tables_are_tables_for_those_who_hear_them(page: str) -> None:
    read = Page(page)
    assert read.tags.count("caption") == read.tags.count("table")
    assert page.count('<th scope="col">') > 20
    assert 'lang="en"' in page
    assert page.count('tabindex="0"') == read.tags.count("table") - 1  # wide ones scroll by keyboard; not the last


def test_inputs_limits_cautions_and_the_hash_of_the_manifest_are_there(yard: TerrainMap, page: str) -> None:
    import hashlib

    text = Page(page).text
    assert "ab" * 32 in text and "12,345" in text
    assert hashlib.sha256((yard.path / "map.json").read_bytes()).hexdigest() in text
    assert all(caution in text for caution in yard.manifest["cautions"])
    assert "slope of the resting sole, degrees 10 18" in text


# --------------------------------------------------------------------------- numbers


def test_areas_are_those_of_the_map_and_carry_their_uncertainty(tmp_path: Path) -> None:
    """A square of 1 m: its border is 4 m; out by u all round, the area is out by 4 u."""

    def square(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        inside = (x > 1.0) & (x < 2.0) & (y > 1.0) & (y < 2.0)
        return np.where(inside, float(Label.MARGINAL), float(Label.STEPPABLE))

    terrain_map = map_of(tmp_path / "map", level_of(lambda x, y: 0.0 * x, label=square))
    rows = {row[0]: row for row in label_areas(terrain_map, [terrain_map.level(0)])}
    assert float(rows["marginal"][1]) == pytest.approx(1.0, abs=0.005)
    assert float(rows["steppable"][1]) == pytest.approx(11.0, abs=0.005)
    assert float(rows["all ground"][1]) == pytest.approx(12.0, abs=0.005)
    sd = math.hypot(0.003, 0.02 / math.sqrt(12.0))  # of an edge of the built ground; of a cell
    assert float(rows["marginal"][2]) == pytest.approx(2.0 * math.pi / 4.0 * 4.0 * sd, abs=0.006)
    assert rows["marginal"][3] == "8.3%"


def test_patches_are_listed_largest_first_with_what_is_left_out(yard: TerrainMap) -> None:
    rows, note = patch_rows(yard, 1)
    assert [row[0] for row in rows] == ["0"]  # the floor of 5.75 m2
    assert "2 patches are ground; the 1 largest are listed" in note
    assert "0 are smaller than the sole" in note
    assert "1 more are walls" in note


# --------------------------------------------------------------------------- sections


@pytest.mark.parametrize(
    ("part", "shown"), [(0.0, "0%"), (0.0004, "<1%"), (0.5, "50%"), (0.9996, ">99%"), (1.0, "100%")]
)
def test_a_share_is_not_rounded_to_none_or_all(part: float, shown: str) -> None:
    assert _footholds(part) == shown


def test_an_uncertainty_is_never_shown_as_none() -> None:
    assert (_within(0.0002), _within(0.3)) == ("± <0.01", "± 0.30")


def test_a_section_follows_the_ground(yard: TerrainMap) -> None:
    got = cut(yard, Line("A", (0.5, 0.5), (3.5, 0.5)))
    assert got.at_m[[0, -1]] == pytest.approx([0.005, 2.995], abs=1e-6)
    assert got.height_m[0] == pytest.approx(0.1 * (0.5 + got.at_m), abs=2e-3)
    assert (got.label[0] == Label.STEPPABLE).all()


def test_a_section_over_the_block_steps_up_and_down(yard: TerrainMap) -> None:
    got = cut(yard, Line("A", (2.1, 0.2), (2.1, 2.8)))
    y = 0.2 + got.at_m
    inside = (y > 1.02) & (y < 1.98)
    assert got.height_m[0][inside] == pytest.approx(0.45, abs=1e-6)
    assert got.height_m[0][(y < 0.98) | (y > 2.02)] == pytest.approx(0.21, abs=2e-3)


def test_the_sole_lies_on_the_ramp(yard: TerrainMap) -> None:
    """A rigid sole on a plane lies on it: its heel and toe are at the plane's height; 0.26 m long in plan."""
    sole = cut(yard, Line("A", (0.5, 0.5), (3.5, 0.5))).sole
    assert sole is not None
    assert sole.toe_m[0] - sole.heel_m[0] == pytest.approx(0.26, abs=1e-6)
    for at, z in (sole.heel_m, sole.toe_m):
        assert z == pytest.approx(0.1 * (0.5 + at), abs=3e-3)
    back = cut(yard, Line("A", (3.5, 0.5), (0.5, 0.5))).sole
    assert back is not None and back.toe_m[1] < back.heel_m[1]


def test_what_stands_and_what_is_unseen_shows(tmp_path: Path) -> None:
    ground = build_ground(
        Layer(lambda x, y: np.where(x > 2.0, np.nan, 0.0)),
        x_m=(0, 4),
        y_m=(0, 3),
        blocks=(block(1.0, 0, 1.1, 3, 0.5, 0.9),),
    )
    terrain_map = map_of(tmp_path / "map", level_of(lambda x, y: np.where(x > 2.0, np.nan, 0.0)), ground=ground)
    got = cut(terrain_map, Line("A", (0.2, 1.5), (3.8, 1.5)))
    assert np.isnan(got.height_m[0][0.2 + got.at_m > 2.01]).all()
    assert (got.label[0][0.2 + got.at_m > 2.03] == Label.UNOBSERVED).all()
    assert 0.2 + got.span_at_m.min() == pytest.approx(1.005, abs=0.02)
    assert (got.span_low_m == pytest.approx(0.5, abs=1e-6)) and (got.span_high_m == pytest.approx(0.9, abs=1e-6))


def test_sections_run_along_and_across_a_site(tmp_path: Path) -> None:
    long = map_of(tmp_path / "map", level_of(flat(0.0), x_m=(0.0, 6.0), y_m=(0.0, 2.0)))
    along, across = default_lines(long)
    assert along.start_m == pytest.approx((-0.2, 1.0), abs=0.03) and along.end_m == pytest.approx((6.2, 1.0), abs=0.03)
    assert across.length_m == pytest.approx(2.4, abs=0.05)


@pytest.mark.parametrize("end", [(0.5, 0.5), (900.0, 0.5)])
def test_sections_that_are_no_length_are_refused(yard: TerrainMap, end: tuple[float, float]) -> None:
    with pytest.raises(DataError, match="section A"):
        cut(yard, Line("A", (0.5, 0.5), end))


# --------------------------------------------------------------------------- decisions and checks


def test_decisions_of_people_are_shown_with_what_became_of_them(tmp_path: Path) -> None:
    from terrain.maps.overrules import add_area, read_overrules, undo

    terrain_map = ramp_map(tmp_path / "yard")
    assert decisions_note(read_overrules(terrain_map.path)) == "Nobody overruled this map."
    square = ((0.2, 0.2), (1.2, 0.2), (1.2, 1.2), (0.2, 1.2))
    known = {"kind": "keep-out", "area_m": square, "level": None, "name": "A. Reader"}
    first = add_area(terrain_map.path, **known, reason=NASTY)
    add_area(terrain_map.path, **known, reason="oil")
    undo(terrain_map.path, of=first.number, name="B. Writer", reason="swept")
    rows = decision_rows(read_overrules(terrain_map.path))
    assert [row[8] for row in rows] == ["undone by 3", "in force", "of 1"]
    assert [row[6] for row in rows] == ["A. Reader", "A. Reader", "B. Writer"]
    assert (rows[0][3], rows[0][5]) == ("1.00", NASTY)
    again = open_map(terrain_map.path)
    areas = {row[0]: float(row[1]) for row in label_areas(again, [again.level(0)])}
    assert areas["unsteppable"] > 1.0  # what is kept out counts so


def entry(verdict: str = "pass", **changes: object) -> object:
    from terrain.sensor.history import Entry

    known: dict[str, object] = {
        "done_utc": "2026-01-05T10:00:00+00:00",
        "sensor": "main",
        "setup": "s",
        "survey": "yard",
        "verdict": verdict,
        "valid_days": 90.0,
        "mount": (0.1, 0.0, 0.2, 0.0, 0.0, 0.0, 1.0),
        "proposed": None,
        "time_offset_s": 0.0,
        "quantities": {"wall: offset": (0.001, 0.002, 0.01, "m", verdict)},
    }
    return Entry(**{**known, **changes})


def test_checks_are_shown_when_there_are_any(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from terrain.sensor.history import FILE_NAME, append

    monkeypatch.delenv("TERRAIN_CHECKS", raising=False)
    mount = {"translation_m": [0.1, 0.0, 0.2], "rotation_xyzw": [0.0, 0.0, 0.0, 1.0]}
    terrain_map = ramp_map(tmp_path / "yard", settings={"sensor": {"mount": mount}})
    assert history_of(terrain_map) is None
    assert "is not known" in checks_of(terrain_map, None)[1]
    today = datetime.now(UTC).isoformat(timespec="seconds")
    append(tmp_path / FILE_NAME, entry("fail"))
    append(tmp_path / FILE_NAME, entry("pass", done_utc=today))
    rows, note = checks_of(terrain_map, history_of(terrain_map))
    assert [(row[0], row[2]) for row in rows] == [(today, "pass"), ("2026-01-05T10:00:00+00:00", "fail")]
    assert rows[1][3] == "failed: wall: offset"
    assert "says pass" in note and "another mount" not in note and "rely" not in note


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"mount": (0.1, 0.0, 0.25, 0.0, 0.0, 0.0, 1.0)}, "another mount"),
        ({"done_utc": "2020-01-05T10:00:00+00:00"}, "more than the 90 days later"),
        ({"done_utc": "2999-01-05T10:00:00+00:00"}, "after the map"),
        ({"verdict": "fail"}, "Do not rely"),
    ],
)
def test_what_a_check_means_for_the_map_is_said(tmp_path: Path, changes: dict[str, object], words: str) -> None:
    from terrain.sensor.history import append

    mount = {"translation_m": [0.1, 0.0, 0.2], "rotation_xyzw": [0.0, 0.0, 0.0, 1.0]}
    terrain_map = ramp_map(tmp_path / "yard", settings={"sensor": {"mount": mount}})
    append(tmp_path / "h.sqlite", entry(**changes))
    assert words in checks_of(terrain_map, tmp_path / "h.sqlite")[1]


# --------------------------------------------------------------------------- command


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["report", *map(str, arguments)])


def test_the_command_writes_the_page_where_asked(
    yard: TerrainMap, page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run(yard.path)
    assert done.exit_code == 0, done.output
    assert done.stdout == "yard-report.html\n"
    assert [p.name for p in tmp_path.iterdir()] == ["yard-report.html"]
    assert (tmp_path / "yard-report.html").read_text(encoding="utf-8") == page  # equal maps, equal pages


@pytest.mark.parametrize("wrong", [["--out", "a.docx"], ["--pdf", "--out", "a.html"], ["--section", "1,2,3"]])
def test_wrong_usage_is_exit_2(yard: TerrainMap, wrong: list[str]) -> None:
    assert run(yard.path, *wrong).exit_code == 2


def test_a_map_without_ground_still_has_a_report(tmp_path: Path) -> None:
    from terrain.maps.write import write_map
    from tests.support.map_contents import make_contents

    write_map(tmp_path / "map", make_contents(points=10, rasters=()), replace=False)
    text = Page(render.to_html(collect(open_map(tmp_path / "map")))).text
    assert "No ground was found" in text


def test_pdf_has_pages_of_a4(yard: TerrainMap, tmp_path: Path) -> None:
    try:
        render.check_pdf()
    except MissingSystemLibraryError as error:
        pytest.skip(str(error))
    report = collect(yard, lines=[Line("A", (0.5, 0.5), (3.5, 0.5))])
    assert "from x 0.50, y 0.50 to x 3.50, y 0.50, 3.00 m" in report.sections[0].caption
    for name in ("one.pdf", "two.pdf"):
        render.write_pdf(report, tmp_path / name)
    raw = (tmp_path / "one.pdf").read_bytes()
    assert raw.startswith(b"%PDF-") and raw.rstrip().endswith(b"%%EOF")
    assert raw == (tmp_path / "two.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", unpacked(raw))
    a4 = (210 / 25.4 * 72, 297 / 25.4 * 72)  # ISO 216: 210 x 297 mm
    assert boxes and all((float(w), float(h)) == pytest.approx(a4, abs=0.1) for w, h in boxes)


def unpacked(raw: bytes) -> bytes:
    """Return the text of a PDF's object streams."""
    parts = [raw]
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", raw, re.DOTALL):
        with contextlib.suppress(zlib.error):
            parts.append(zlib.decompress(stream))
    return b"\n".join(parts)


def test_without_weasyprint_one_line_says_what_to_install(
    yard: TerrainMap, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    done = run(yard.path, "--out", tmp_path / "a.pdf")
    assert done.exit_code == 1
    assert "pip install 'terrain-steppability[pdf]'" in done.stderr and len(done.stderr.splitlines()) == 1
    assert not list(tmp_path.iterdir())
