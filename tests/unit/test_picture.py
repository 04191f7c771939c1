"""The drawing of a map: where things are, what tells labels apart, and the same bytes each time.

Colours: P. Tol, "Colour Schemes", SRON/EPS/TN/09-002, scheme "light" (from memory): light cyan, light yellow, orange.
"""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from click.testing import CliRunner, Result
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from terrain.cli import picture as command
from terrain.cli.main import cli
from terrain.data import Label, LevelRaster
from terrain.maps import picture
from terrain.maps.picture import draw_plan, plain_ticks
from terrain.maps.store import open_map
from terrain.maps.write import write_map
from tests.support.map_contents import make_contents

CYAN, YELLOW, ORANGE = (0x99, 0xDD, 0xFF), (0xEE, 0xDD, 0x88), (0xEE, 0x88, 0x66)


def raster_of(label: np.ndarray, **changes: object) -> LevelRaster:
    """Return a flat level with these labels, row 0 the lowest y; nothing is known where they are 0."""
    known = np.where(label == 0, np.nan, 0.0).astype(np.float32)
    bands = {
        field.name: known
        for field in dataclasses.fields(LevelRaster)
        if field.name not in ("level", "x0_m", "y0_m", "cell_m")
    }
    bands |= {"label": label.astype(np.float32), "patch_id": np.zeros(label.shape, dtype=np.int32)}
    return LevelRaster(**{"level": 0, "x0_m": 0.0, "y0_m": 0.0, "cell_m": 0.05, **bands, **changes})


def draw(tmp_path: Path, *rasters: LevelRaster, layer: str = "label", level: int | None = None) -> np.ndarray:
    write_map(tmp_path / "map", make_contents(points=10, rasters=rasters), replace=True)
    draw_plan(open_map(tmp_path / "map"), tmp_path / "plan.png", layer=layer, level=level)
    with Image.open(tmp_path / "plan.png") as image:
        return np.asarray(image.convert("RGB"))


def where(image: np.ndarray, colour: tuple[int, int, int]) -> tuple[float, float, int]:
    """Return the mean row and column of a colour left of the legend, and how many pixels have it."""
    plan = image[:, : image.shape[1] - 400]
    rows, columns = np.nonzero((plan == colour).all(axis=2))
    return (rows.mean(), columns.mean(), len(rows)) if len(rows) else (np.nan, np.nan, 0)


@pytest.fixture(scope="module")
def map_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("picture") / "map"
    write_map(out, make_contents(points=10, levels=2), replace=False)
    return out


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["picture", *map(str, arguments)])


def test_x_is_right_and_y_is_up(tmp_path: Path) -> None:
    label = np.full((80, 120), Label.STEPPABLE)
    label[:40, 60:] = Label.UNSTEPPABLE  # low y, high x
    label[40:, :60] = Label.MARGINAL  # high y, low x
    image = draw(tmp_path, raster_of(label))
    cyan, yellow, orange = where(image, CYAN), where(image, YELLOW), where(image, ORANGE)
    assert orange[0] > cyan[0] > yellow[0]  # image rows run down
    assert orange[1] > cyan[1] > yellow[1]
    # each covers what it should: half of the plan is cyan, a quarter each the others less their ink
    assert cyan[2] > 1.8 * yellow[2] > 1.8 * 0.8 * orange[2] > 0


def test_hatching_tells_labels_apart_in_grey() -> None:
    ink = {
        label: float(np.mean((picture._hatched(np.full((180, 180), label)) == picture._INK).all(axis=2)))
        for label in Label
    }
    assert ink[Label.STEPPABLE] == 0.0
    assert 0.005 < ink[Label.UNOBSERVED] < 0.05
    assert ink[Label.UNSTEPPABLE] > 1.7 * ink[Label.MARGINAL] > 0.1
    grey = {label: np.dot(fill, [0.299, 0.587, 0.114]) for label, fill in picture._FILL.items()}  # ITU-R BT.601
    assert grey[Label.UNSTEPPABLE] < min(grey[label] for label in Label if label != Label.UNSTEPPABLE) - 20


def test_ground_nobody_saw_has_no_colour(tmp_path: Path) -> None:
    label = np.full((80, 120), Label.STEPPABLE)
    label[20:60, 40:80] = Label.UNOBSERVED
    image = draw(tmp_path, raster_of(label))
    row, column, _ = where(image, CYAN)  # the middle of the cyan frame is the middle of the hole
    hole = image[round(row) - 50 : round(row) + 50, round(column) - 50 : round(column) + 50].reshape(-1, 3)
    assert np.mean((hole == 255).all(axis=1)) > 0.9
    assert not (hole == CYAN).all(axis=1).any()
    assert ((hole == picture._INK).all(axis=1)).any()


def test_a_thin_wall_survives_many_cells_in_a_pixel(tmp_path: Path) -> None:
    label = np.full((60, 4000), Label.STEPPABLE)
    label[:, 2001] = Label.UNSTEPPABLE
    label[:, 1001] = Label.UNOBSERVED
    image = draw(tmp_path, raster_of(label))
    plan = image[:, : image.shape[1] - 400]
    assert (plan == ORANGE).all(axis=2).any()


@pytest.mark.parametrize("layer", picture.LAYERS)
def test_every_layer_is_drawn_the_same_each_time(map_folder: Path, tmp_path: Path, layer: str) -> None:
    for name in ("a.png", "b.png"):
        got = run(map_folder, "--out", tmp_path / name, "--layer", layer)
        assert got.exit_code == 0, got.output
        assert got.output == ""
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    with Image.open(tmp_path / "a.png") as image:
        assert image.format == "PNG"
        assert min(image.size) > 500
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.png", "b.png"]


def test_the_readers_own_settings_do_not_matter(map_folder: Path, tmp_path: Path) -> None:
    draw_plan(open_map(map_folder), tmp_path / "a.png")
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "red", "savefig.bbox": "tight", "savefig.dpi": 37}):
        draw_plan(open_map(map_folder), tmp_path / "b.png")
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_slope_darkens_past_its_limit(tmp_path: Path) -> None:
    label = np.full((80, 120), Label.STEPPABLE)
    slope = np.zeros((80, 120), dtype=np.float32)
    slope[:, 60:] = np.radians(25.0)
    image = draw(tmp_path, raster_of(label, slope_rad=slope), layer="slope").astype(float).mean(axis=2)
    row = image[image.shape[0] // 2]
    left, right = row[160:300].mean(), row[-700:-560].mean()
    assert left > 150 > 80 > right


@pytest.mark.parametrize("shape", [(1, 1), (3, 900), (900, 3)])
def test_odd_shapes(tmp_path: Path, shape: tuple[int, int]) -> None:
    image = draw(tmp_path, raster_of(np.full(shape, Label.STEPPABLE)))
    assert where(image, CYAN)[2] > 500


@pytest.mark.parametrize("layer", ["label", "slope", "height"])
def test_a_level_without_ground(tmp_path: Path, layer: str) -> None:
    image = draw(tmp_path, raster_of(np.zeros((40, 60))), layer=layer)
    assert where(image, CYAN)[2] == 0


def test_coordinates_of_a_national_grid(tmp_path: Path) -> None:
    far = raster_of(np.full((40, 60), Label.STEPPABLE), x0_m=451_234.0, y0_m=5_412_345.0)
    assert where(draw(tmp_path, far), CYAN)[2] > 10_000


def test_a_chosen_level(tmp_path: Path) -> None:
    floor = raster_of(np.full((40, 60), Label.STEPPABLE))
    deck = dataclasses.replace(raster_of(np.full((40, 60), Label.MARGINAL)), level=1)
    assert where(draw(tmp_path, floor, deck), YELLOW)[2] == 0
    assert where(draw(tmp_path, floor, deck, level=1), YELLOW)[2] > 10_000


def test_a_map_without_levels(tmp_path: Path) -> None:
    write_map(tmp_path / "map", make_contents(points=10, rasters=()), replace=False)
    got = run(tmp_path / "map", "--out", tmp_path / "plan.png")
    assert got.exit_code == 1
    assert "no level to draw" in got.stderr


def test_exit_codes(map_folder: Path, tmp_path: Path) -> None:
    got = run(map_folder, "--out", tmp_path / "plan.png", "--level", 7)
    assert got.exit_code == 1
    assert "expected one of [0, 1]" in got.stderr
    assert list(tmp_path.iterdir()) == []
    assert run(map_folder, "--out", tmp_path / "plan.jpg").exit_code == 2
    assert run(map_folder, "--out", tmp_path / "plan.png", "--layer", "mood").exit_code == 2
    assert run(tmp_path / "nowhere", "--out", tmp_path / "plan.png").exit_code == 2
    assert run(tmp_path, "--out", tmp_path / "plan.png").exit_code == 1
    assert run(map_folder).exit_code == 2


def test_the_command_knows_every_layer() -> None:
    assert command.LAYERS == picture.LAYERS


def test_a_small_plan_names_coordinates_of_a_survey_grid_in_full() -> None:
    """Eastings and northings have six and seven digits: written out, none over the next, no offset apart."""
    figure = Figure(figsize=(5.2, 4.2))
    canvas = FigureCanvasAgg(figure)
    plan = figure.add_axes((0.17, 0.13, 0.80, 0.84))
    plan.set(xlim=(515370.0, 515406.0), ylim=(4918343.5, 4918383.0))
    plain_ticks(plan, bins=5)
    canvas.draw()
    for axis in (plan.xaxis, plan.yaxis):
        assert axis.get_offset_text().get_text() == ""
    low, high = plan.get_ylim()
    north = [word.get_text() for word in plan.get_yticklabels() if low <= word.get_position()[1] <= high]
    assert north and all(len(word) == 7 and word.startswith("49183") for word in north)
    boxes = [word.get_window_extent() for word in plan.get_xticklabels()]
    assert all(left.x1 < right.x0 for left, right in itertools.pairwise(boxes))
