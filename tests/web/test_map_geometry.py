"""The map is drawn to scale: positions against figures reckoned by hand, and invariants."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.errors import InputFileError
from arraywright.plant import Site
from arraywright.readers.site import read_site
from arraywright.web.map_geometry import TILE_MODULES, MapGeometry, map_geometry
from arraywright.web.map_wire import pack_arrays, unpack_arrays
from tests.web.map_making import make_map_site

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "small-site" / "site.toml"


def _site(folder: Path, **changes: tuple[str, str]) -> Site:
    text = EXAMPLE.read_text("utf-8")
    for before, after in changes.values():
        assert before in text
        text = text.replace(before, after)
    folder.mkdir(exist_ok=True)
    (folder / "site.toml").write_text(text, "utf-8")
    site = read_site(folder).site
    assert site is not None
    return site


@pytest.fixture
def small(tmp_path: Path) -> MapGeometry:
    """The layout of the small example."""
    return map_geometry(_site(tmp_path / "small"))


def test_small_site_is_to_scale(small: MapGeometry) -> None:
    """The first and last module of the carport lie where its description puts them by hand.

    Modules of 1.762 m x 1.134 m stand upright in 2 rows of 20, 20 mm apart, tilted by 7 degrees,
    facing 195 degrees; the block begins at the origin of the site.
    """
    level = math.cos(math.radians(7.0))
    facing = complex(math.sin(math.radians(195.0)), math.cos(math.radians(195.0)))
    along = complex(-facing.imag, facing.real)
    origin = complex(small.origin_x_m, small.origin_y_m)
    assert small.modules == 40
    # Row 2, column 20: 19 widths and gaps on, one length and gap down the slope.
    for where, across_m, down_m in ((0, 0.567, 0.881), (39, 0.567 + 19 * 1.154, 0.881 + 1.782)):
        wanted = across_m * along + down_m * level * facing
        found = np.asarray(small.module_x_m) + 1j * np.asarray(small.module_y_m) + origin
        assert np.abs(found - wanted).min() == pytest.approx(0.0, abs=6e-4), where
    halves = small.shapes_m[small.module_shape[0]]
    assert complex(*halves[:2]) == pytest.approx(0.567 * along, abs=1e-5)
    assert complex(*halves[2:]) == pytest.approx(0.881 * level * facing, abs=1e-5)
    width = 20 * 1.134 + 19 * 0.020
    depth = (2 * 1.762 + 0.020) * level
    assert small.bounds_m[2] - small.bounds_m[0] == pytest.approx(
        width * abs(along.real) + depth * abs(facing.real), abs=2e-3
    )


def test_modules_lying_lengthwise_are_found_from_their_distances(tmp_path: Path) -> None:
    """Tables in CSV do not say how modules lie, so it is read off the positions."""
    lying = _site(
        tmp_path / "lying",
        way=("azimuth_deg = 195", 'azimuth_deg = 180\norientation = "landscape"'),
    )
    found = map_geometry(lying)
    assert found.shapes_m[0] == pytest.approx(
        [0.881, 0.0, 0.0, -0.567 * math.cos(math.radians(7.0))], abs=1e-5
    )
    one_row = _site(
        tmp_path / "row",
        way=("azimuth_deg = 195", 'azimuth_deg = 180\norientation = "landscape"'),
        rows=("rows = 2\n", "rows = 1\n"),
        pattern=('string_pattern = "leapfrog"\n', ""),
        inputs=("inputs_per_inverter = 2", "inputs_per_inverter = 1"),
    )
    assert map_geometry(one_row).shapes_m[0][0] == pytest.approx(0.881, abs=1e-5)


def test_coordinates_far_from_the_origin_keep_their_millimetres(tmp_path: Path) -> None:
    """Surveyors' coordinates run to millions of metres, which single precision cannot hold."""
    site = _site(tmp_path / "far")
    moved = replace(
        site,
        positions=site.positions.with_columns(
            x_m=site.positions["x_m"] + 512_345.0, y_m=site.positions["y_m"] + 5_234_567.0
        ),
    )
    near, far = map_geometry(site), map_geometry(moved)
    assert far.origin_x_m == near.origin_x_m + 512_345.0
    assert np.abs(far.module_x_m - near.module_x_m).max() < 1e-3
    assert np.abs(far.module_y_m - near.module_y_m).max() < 1e-3


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> MapGeometry:
    """A block of 28,000 modules."""
    folder = tmp_path_factory.mktemp("large")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder / "home"))
        make_map_site(folder / "site", 28_000)
    site = read_site(folder / "site").site
    assert site is not None
    return map_geometry(site)


def test_tiles_hold_every_string_once(large: MapGeometry) -> None:
    """Tiles are small enough to send and together are the site."""
    assert large.tiles > 1
    assert np.array_equal(np.sort(large.tile_strings), np.arange(len(large.strings)))
    modules = [large.modules_of_tile(tile) for tile in range(large.tiles)]
    assert all(0 < len(part) <= TILE_MODULES for part in modules)
    assert np.array_equal(np.sort(np.concatenate(modules)), np.arange(large.modules))
    for tile, part in enumerate(modules):
        low_x, low_y, high_x, high_y = large.tile_bounds_m[tile]
        assert np.all((large.module_x_m[part] > low_x) & (large.module_x_m[part] < high_x))
        assert np.all((large.module_y_m[part] > low_y) & (large.module_y_m[part] < high_y))


def test_the_ground_of_strings_holds_their_modules_and_does_not_overlap(
    large: MapGeometry,
) -> None:
    """A click on the ground of a string is a click on one string alone."""
    assert len(large.box_x_m) == len(large.strings)
    box_of_string = np.empty(len(large.strings), dtype=np.int64)
    box_of_string[large.box_string] = np.arange(len(large.box_x_m))
    box = box_of_string[large.module_string]
    half = large.box_shapes_m[large.box_shape[box]]
    assert np.all(np.abs(large.module_x_m - large.box_x_m[box]) < half[:, 0])
    assert np.all(np.abs(large.module_y_m - large.box_y_m[box]) < -half[:, 3])
    area = float((4.0 * half[:: large.modules // len(large.strings), 0] * -half[::28, 3]).sum())
    modules_area = large.modules * 1.762 * 1.134 * math.cos(math.radians(25.0))
    assert area == pytest.approx(modules_area, rel=0.03)


_KINDS = st.sampled_from(["u1", "u2", "u4", "i4", "f4", "f8"])


@given(
    arrays=st.dictionaries(
        st.text(min_size=1, max_size=12),
        st.tuples(_KINDS, st.lists(st.integers(0, 200), max_size=30)),
        max_size=5,
    ),
    about=st.dictionaries(
        st.text(max_size=8).filter(lambda key: key != "arrays"), st.text(max_size=8), max_size=3
    ),
)
def test_messages_of_arrays_come_back_as_they_went(
    arrays: dict[str, tuple[str, list[int]]], about: dict[str, str]
) -> None:
    """Every type, length and name survives the way."""
    sent = {name: np.array(held, dtype=kind) for name, (kind, held) in arrays.items()}
    back, said = unpack_arrays(pack_arrays(sent, about=about))
    assert said == about
    assert set(back) == set(sent)
    for name, array in sent.items():
        assert back[name].dtype == array.dtype
        assert np.array_equal(back[name], array)


def test_messages_have_the_bytes_that_are_documented() -> None:
    """Other programs read the messages, so the bytes are held against docs/map.md by hand."""
    data = pack_arrays({"a": np.array([1, 258], dtype=np.uint16)}, about={})
    head = b'{"arrays":[{"name":"a","type":"u2","count":2,"start":0}]}'
    head += b" " * (-len(head) % 8)
    assert data == b"AWA1" + len(head).to_bytes(4, "little") + head + b"\x01\0\x02\x01\0\0\0\0"


@given(st.binary(max_size=80), st.integers(0, 80))
def test_damaged_messages_are_refused_in_words(noise: bytes, cut: int) -> None:
    """Whatever the bytes, reading them ends in arrays or in one known error."""
    whole = pack_arrays({"a": np.arange(6, dtype=np.float64)}, about={})
    for data in (noise, whole[:cut], whole[:8] + noise, b"AWA1" + noise):
        if data == whole:
            continue
        with pytest.raises(InputFileError, match="no whole message"):
            unpack_arrays(data)
