"""What the map shows of the record, and how it gets to the browser."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from arraywright.procedures.field_rows import MODULE_PLACED, STRING_TESTED
from arraywright.procedures.site_record import open_site
from arraywright.records.entry import NewEntry, json_body
from arraywright.records.people import Role
from arraywright.web.map_phones import phone_rows
from arraywright.web.map_service import map_shown
from arraywright.web.map_values import COLOURINGS
from arraywright.web.map_wire import unpack_arrays
from arraywright.web.words import catalogue
from tests.web.map_making import NOW, make_map_site, place_modules
from tests.web.serving import Office, open_office

PATHS = (
    "/map",
    "/api/v1/map/boxes",
    "/api/v1/map/names",
    "/api/v1/map/tiles/0",
    "/api/v1/map/values/stage",
    "/api/v1/map/values/stage/tiles/0",
    "/api/v1/map/search?q=B001",
    "/api/v1/map/strings/B001-S0001",
)


@pytest.fixture
def crewed(tmp_path: Path) -> Iterator[Office]:
    """A site of 28,000 modules in 1,000 strings: 700 are built, 560 of them judged."""
    make_map_site(tmp_path / "park", 28_000)
    with open_office(tmp_path / "park") as opened:
        yield opened


@pytest.mark.parametrize("path", PATHS)
def test_every_role_sees_the_map_and_nobody_else(office: Office, path: str) -> None:
    """Even a guest reads the map; who is not signed in gets nothing of it."""
    assert office.client.get(path, follow_redirects=False).status_code == 401
    there = not path.endswith("B001-S0001")
    for role in Role:
        answer = office.signed_in(role).get(path)
        assert answer.status_code == (200 if there else 422), (role, answer.text[:200])


def test_colourings_agree_with_the_record(crewed: Office) -> None:
    """Counts of the legend are those of the tables the record holds."""
    shown = map_shown(crewed.site)
    record = crewed.site.record("test")
    judged = record.latest("strings_judged")
    assert judged is not None
    verdicts = record.load_frame(judged, "strings")["verdict"].value_counts()
    by_word = dict(verdicts.iter_rows())
    by_key = {one.key: one.strings for one in shown.colouring("verdict").categories}
    assert by_key.pop("verdict_unread") == 440
    assert by_key == {
        f"verdict_{word}": by_word.get(word, 0)
        for word in ("pass", "not_assessable", "review", "fail")
    }
    stage = {one.key: (one.strings, one.modules) for one in shown.colouring("stage").categories}
    assert stage == {
        "stage_open": (0, 0),
        "stage_planned": (300, 8400),
        "stage_begun": (0, 0),
        "stage_built": (140, 3920),
        "stage_tested": (560 - by_word["pass"], 28 * (560 - by_word["pass"])),
        "stage_passed": (by_word["pass"], 28 * by_word["pass"]),
    }
    classes = shown.colouring("class").categories
    named = {one.name: one.modules for one in classes if one.key == "class_named"}
    # Pallets of 36 come in turns of 40 of class H and 40 of class L.
    high = sum(min(28_000, start + 1440) - start for start in range(0, 28_000, 2880))
    assert named == {"440 W H": high, "440 W L": 28_000 - high}
    built = shown.colouring("built_on")
    assert built.unit == "day"
    assert built.values is not None
    assert np.isfinite(built.values).sum() == 700
    assert built.categories[0].strings == 300


@pytest.mark.parametrize("name", list(COLOURINGS))
def test_every_colouring_has_words_and_counts_all(crewed: Office, name: str) -> None:
    """Nothing on the map is without a line in the legend, and no line is without words."""
    held = map_shown(crewed.site).colouring(name)
    words = catalogue("en", area="map")
    assert f"colouring_{name}" in words
    assert sum(one.strings for one in held.categories) == 1000
    assert sum(one.modules for one in held.categories) == 28_000
    for one in held.categories:
        assert one.key in words or one.key in {"range", "class_named"}
    looks = {(one.colour, one.pattern) for one in held.categories}
    assert len(looks) == len(held.categories)
    if held.values is not None and name != "built_on":
        for row, one in enumerate(held.categories):
            inside = held.values[held.strings == row]
            assert np.all(np.isnan(inside) if row == 0 else np.isfinite(inside))
            if one.low is not None:
                assert np.all(inside >= np.float32(one.low))
            if one.high is not None:
                assert np.all(inside < np.float32(one.high) + 1e-6)


def test_only_what_changed_is_sent(crewed: Office) -> None:
    """A browser that holds a state gets the strings that differ from it, and ends up the same."""
    client = crewed.signed_in(Role.GUEST)
    path = "/api/v1/map/values/stage"
    first = client.get(path)
    tag = first.headers["etag"]
    assert client.get(path, headers={"If-None-Match": tag}).status_code == 304
    with open_site(crewed.site.folder, person="Crew", now=lambda: NOW, create=False) as record:
        plan = record.latest("allocation_planned")
        assert plan is not None
        places = record.load_frame(plan, "assignments").filter(
            pl.col("string").is_in(["B001-S0701", "B001-S0702"])
        )
        place_modules(record, places.head(40), day=datetime(2031, 5, 19, tzinfo=UTC))
    answer = client.get(path, params={"since": tag.strip('"')})
    changes, about = unpack_arrays(answer.content)
    assert changes["string"].tolist() == [700, 701]
    assert [about["categories"][code]["key"] for code in changes["code"]] == [
        "stage_built",
        "stage_begun",
    ]
    whole, said = unpack_arrays(client.get(path).content)
    patched = unpack_arrays(first.content)[0]["code"].copy()
    patched[changes["string"]] = changes["code"]
    assert np.array_equal(patched, whole["code"])
    assert said["categories"] == about["categories"]
    assert client.get(path).headers["etag"].strip('"') == about["tag"]


def test_what_phones_enter_shows_at_once(crewed: Office) -> None:
    """Placements and readings of phones count; a corrected one counts no longer."""
    record = crewed.site.record("Crew")
    places = record.site.positions.filter(pl.col("string").is_in(["B001-S0801", "B001-S0802"]))

    def placed(rows: pl.DataFrame, supersedes: str | None = None) -> list[NewEntry]:
        return [
            NewEntry(
                kind=MODULE_PLACED,
                subject_kind="module",
                subject=f"MY{serial:010d}",
                body=json_body({"position": position if supersedes is None else None}),
                supersedes=supersedes,
            )
            for serial, position in enumerate(rows["position"], start=22_400)
        ]

    def stages() -> list[str]:
        held = map_shown(crewed.site).colouring("stage")
        return [held.categories[code].key for code in held.strings[800:802]]

    assert stages() == ["stage_planned", "stage_planned"]
    first = record.journal.append(placed(places.head(28)))
    assert stages() == ["stage_built", "stage_planned"]
    record.journal.append(placed(places.slice(28, 1)))
    record.journal.append(
        [
            NewEntry(
                kind=STRING_TESTED,
                subject_kind="string",
                subject="B001-S0802",
                body=json_body({"reading": {"voc_v": 1100.0}}),
            )
        ]
    )
    assert stages() == ["stage_built", "stage_tested"]
    told = crewed.signed_in(Role.GUEST).get("/api/v1/map/strings/B001-S0802").json()
    assert [one["voc_v"] for one in told["readings"]] == [1100.0]
    record.journal.append(placed(places.head(1), supersedes=first[0].uuid))
    assert stages() == ["stage_begun", "stage_tested"]
    whole, kept = phone_rows(record), map_shown(crewed.site).state
    assert whole.placements.height == 28
    assert kept.count_of_strings(kept.built)[800:802].tolist() == [27, 1]


def test_answers_are_compressed_only_for_who_can_read_it(crewed: Office) -> None:
    """The same bytes come with and without compression, under the same tag."""
    client = crewed.signed_in(Role.GUEST)
    plain = client.get("/api/v1/map/boxes", headers={"Accept-Encoding": "identity"})
    zipped = client.get("/api/v1/map/boxes", headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in plain.headers
    assert zipped.headers["content-encoding"] == "gzip"
    assert plain.content == zipped.content
    assert plain.headers["etag"] == zipped.headers["etag"]
    assert int(zipped.headers["content-length"]) < len(gzip.compress(plain.content)) * 1.5


def test_modules_of_a_tile_come_with_their_codes(crewed: Office) -> None:
    """Tiles of layout and of values go by the same order, and unknown tiles are refused."""
    client = crewed.signed_in(Role.GUEST)
    boxes, about = unpack_arrays(client.get("/api/v1/map/boxes").content)
    stage = map_shown(crewed.site).colouring("stage")
    for tile in range(about["tiles"]):
        layout, _ = unpack_arrays(client.get(f"/api/v1/map/tiles/{tile}").content)
        codes, _ = unpack_arrays(client.get(f"/api/v1/map/values/stage/tiles/{tile}").content)
        assert len(layout["x"]) == len(codes["code"]) == layout["count"].sum()
        assert np.array_equal(boxes["modules"][layout["string"]], layout["count"])
        assert np.array_equal(
            np.repeat(stage.strings[layout["string"]], layout["count"]), codes["code"]
        )
    assert client.get(f"/api/v1/map/tiles/{about['tiles']}").status_code == 422
    assert client.get("/api/v1/map/values/nothing").status_code == 422


def test_search_finds_strings_pallets_and_serials(crewed: Office) -> None:
    """Whoever holds a label finds where its module is or will be."""
    client = crewed.signed_in(Role.CREW)

    def found(asked: str) -> list[dict[str, object]]:
        held: list[dict[str, object]] = client.get(
            "/api/v1/map/search", params={"q": asked}
        ).json()["found"]
        return held

    assert found("b001-s0007")[0] == {
        "kind": "string",
        "name": "B001-S0007",
        "strings": [6],
        "modules": [],
        "placed": 1,
    }
    serial = found("MY0000000100")[0]
    assert (serial["kind"], serial["strings"], serial["modules"]) == ("module", [3], [100])
    pallet = found("399999900000000002")[0]
    assert (pallet["kind"], pallet["placed"]) == ("pallet", 36)
    # Modules 72 to 107 lie in the third and fourth string of 28.
    assert pallet["strings"] == [2, 3]
    assert len(found("MY00000001")) <= 12
    assert found("x") == []
    assert found("nobody-has-this") == []
    assert found("<script>") == []


def test_a_string_tells_its_story(crewed: Office) -> None:
    """Modules, verdict and story of a string come together."""
    told = crewed.signed_in(Role.GUEST).get("/api/v1/map/strings/B001-S0003").json()
    assert [one["serial"] for one in told["modules"]] == [f"MY{n:010d}" for n in range(56, 84)]
    assert {one["class"] for one in told["modules"]} == {"440 W H"}
    assert all(one["built"] for one in told["modules"])
    assert told["verdict"]["verdict"] in {"pass", "review", "fail", "not_assessable"}
    assert any("As-built list: 28 modules" in one["what"] for one in told["story"])
    spanish = crewed.signed_in(Role.TESTER)
    spanish.post("/me", data={"language": "es", "units": "metric"})
    told = spanish.get("/api/v1/map/strings/B001-S0003").json()
    assert any("Lista de montaje: 28 módulos" in one["what"] for one in told["story"])
    refused = crewed.signed_in(Role.GUEST).get("/api/v1/map/strings/B999")
    assert refused.json()["error"]["code"] == "string-unknown"
