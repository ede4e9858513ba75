"""Entries, work packs, judgement at the scan, words and scripts of the field page."""

from __future__ import annotations

import copy
import gzip
import hashlib
import json
import re
import string
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from playwright.sync_api import Page

from arraywright.delivery import CAUTIONS, INSPECTION_ITEMS
from arraywright.delivery.sscc import check_sscc
from arraywright.procedures.field_points import field_points
from arraywright.procedures.field_rows import PLACEMENT_RULES, field_rows
from arraywright.procedures.site_record import open_site
from arraywright.records import NewEntry, json_body, parse_body
from arraywright.records.conflicts import ConflictsProjection
from arraywright.records.entry import entry_weakness
from arraywright.records.exchange import entry_from_json
from arraywright.records.identity import signature_holds
from arraywright.records.projections import ProjectionRunner
from arraywright.web.field_pack import Pack, blocks_of, make_pack, pack_bytes
from arraywright.web.words import catalogue, languages
from tests.web.field_making import NOW, WEB, call, open_modules_page, site_folder

FIELD = WEB / "static" / "field"
MOST_PACK_BYTES = 3_000_000


@pytest.fixture(scope="module")
def modules_page() -> Iterator[Page]:
    """Give a page to run the modules in."""
    with open_modules_page() as page:
        yield page


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a site of 832 positions."""
    return site_folder(tmp_path_factory.mktemp("page") / "site", table_rows=2)


@pytest.fixture(scope="module")
def great_pack(tmp_path_factory: pytest.TempPathFactory) -> Pack:
    """Give the pack of a whole site of 9,984 positions and 10,152 modules."""
    great = site_folder(tmp_path_factory.mktemp("great") / "site", table_rows=24)
    return _pack(great)


def _pack(folder: Path) -> Pack:
    with open_site(folder, person="Mara Lindqvist", now=lambda: NOW) as record:
        return make_pack(record, blocks=blocks_of(record.site)["block"].to_list())


def _document(pack: Pack) -> dict[str, Any]:
    held: dict[str, Any] = json.loads(gzip.decompress(pack_bytes(pack)))
    return held


def test_entries_made_in_the_browser_verify_in_python(modules_page: Page) -> None:
    """Hash, UUID, chain and signature of a browser's entries are what the record requires."""
    told = call(
        modules_page,
        """async () => {
          const E = await import("/static/field/entry.js");
          const { Store } = await import("/static/field/store.js");
          const store = await Store.open("entries");
          const key = await E.newDeviceKey();
          await store.set("key", key);
          const kept = await store.get("key");
          const given = { key: kept, person: "Ünal Ä. 测试", now: () => Date.now() };
          const first = {
            kind: E.DEVICE_INTRODUCED, subject_kind: "device", subject: key.device,
            body: { public_key: key.device, label: "blaues Telefon" },
          };
          const bodies = [
            {}, { x: 600.0, y: 1.5e-7, z: -0.25, big: 1e21 },
            { text: 'Grüße "\u2028" 🙂', a: [1, [2, {}]] },
            { z: 1, a: { d: null, c: true } },
          ];
          const made = [...(await store.append([first], given))];
          for (const body of bodies) {
            const fresh = { kind: "x_seen", subject_kind: "module", subject: "TÑ-1/測", body };
            const next = { ...fresh, supersedes: made.at(-1).uuid };
            made.push(...(await store.append([fresh, next], given)));
          }
          const verified = await Promise.all(made.map(E.verifies));
          return { verified, made: made.map(E.entryAsJson) };
        }""",
    )
    assert all(told["verified"])
    entries = [entry_from_json(fields) for fields in told["made"]]
    assert len(entries) == 9
    previous = bytes(32)
    for number, entry in enumerate(entries, 1):
        assert entry_weakness(entry) == ""
        assert signature_holds(entry.device, entry_hash=entry.entry_hash, signature=entry.signature)
        assert (entry.sequence, entry.previous_hash) == (number, previous)
        previous = entry.entry_hash
    assert parse_body(entries[3].body) == {"x": 600, "y": 1.5e-7, "z": -0.25, "big": 1e21}


def test_two_tabs_share_one_chain(modules_page: Page) -> None:
    """Entries made at the same moment through two open stores get different numbers."""
    sequences = call(
        modules_page,
        """async () => {
          const E = await import("/static/field/entry.js");
          const { Store } = await import("/static/field/store.js");
          const [one, other] = [await Store.open("tabs"), await Store.open("tabs")];
          const key = await E.newDeviceKey();
          const given = { key, person: "Noor Haddad", now: () => Date.now() };
          const fresh = { kind: "x_seen", subject_kind: "site", subject: "s", body: {} };
          await one.append([{ ...fresh, kind: E.DEVICE_INTRODUCED }], given);
          const made = await Promise.all(
            Array.from({ length: 40 }, (_, n) => (n % 2 ? one : other).append([fresh], given)),
          );
          return made.flat().map((entry) => entry.sequence).sort((a, b) => a - b);
        }""",
    )
    assert sequences == list(range(2, 42))


def test_a_pack_of_ten_thousand_modules_is_small(great_pack: Pack) -> None:
    """Ten thousand modules with everything a phone needs take less than 3 MB."""
    size = len(pack_bytes(great_pack))
    assert great_pack.manifest["modules"] >= 10_000
    assert size < MOST_PACK_BYTES


def test_the_pack_is_updated_by_difference(folder: Path, tmp_path: Path) -> None:
    """One placement and one module set apart send two small parts, and these alone."""
    fresh = site_folder(tmp_path / "own" / "site", table_rows=2)
    before = _pack(fresh)
    document = _document(before)
    position = json.loads(
        document["parts"][_digest(before, "positions")],
    )["position"][1][0]
    with open_site(fresh, person="Mara Lindqvist", now=lambda: NOW) as record:
        record.journal.append(
            [
                NewEntry(
                    kind="module_placed",
                    subject_kind="module",
                    subject="TN2610000000",
                    body=json_body({"position": position}),
                ),
                NewEntry(
                    kind="module_inspected",
                    subject_kind="module",
                    subject="TN2610000007",
                    body=json_body({"result": "apart", "defects": ["glass-broken"]}),
                ),
            ]
        )
    after = _pack(fresh)
    held = [part["sha256"][:16] for part in before.manifest["parts"]]
    told = json.loads(gzip.decompress(pack_bytes(after, held=held)))
    new = {part["name"] for part in after.manifest["parts"] if part["sha256"] in told["parts"]}
    assert new == {"status", "placed:F-I01"}
    assert len(pack_bytes(after, held=held)) < 0.25 * len(pack_bytes(after))
    whole = {part["sha256"] for part in after.manifest["parts"]}
    assert whole <= {*told["parts"], *(p["sha256"] for p in before.manifest["parts"])}


def _digest(pack: Pack, name: str) -> str:
    return next(str(part["sha256"]) for part in pack.manifest["parts"] if part["name"] == name)


_JUDGE = """async ({ pack, asked }) => {
  const { Pack } = await import("/static/field/pack.js");
  const { State } = await import("/static/field/state.js");
  const { judge, nextFree } = await import("/static/field/judge.js");
  const { serialIn, byEnding, nearSerials } = await import("/static/field/code.js");
  const held = new Pack(pack.manifest, pack.parts);
  const state = new State(held);
  const context = { pack: held, state };
  const encoder = new TextEncoder();
  let number = 0;
  const put = (serial, position, supersedes = null) => state.add({
    uuid: `00000000-0000-8000-8000-${String((number += 1)).padStart(12, "0")}`, device: "d",
    sequence: number, person: "Noor Haddad", device_time: "2026-06-18T08:00:00.000000Z",
    kind: "module_placed", subject: serial, supersedes,
    body: encoder.encode(JSON.stringify({ position })),
  });
  const out = [];
  for (const one of asked) {
    if (one.put) put(one.put[0], held.positions[one.put[1]]);
    if (one.code !== undefined) {
      const { serial } = serialIn(one.code, held);
      const told = judge(serial, one.at, context);
      out.push([told.level, told.code, told.reasons.map((reason) => reason.code)]);
    }
  }
  return {
    out, order: held.positions.slice(0, 60), planned: held.planned.slice(0, 60),
    next: nextFree(-1, context), ending: byEnding("10000007", held),
    near: nearSerials("TN2610000008", held, 9),
    conflicts: state.conflicts().map(({ side, value }) => [side, value]),
  };
}"""


def test_every_judgement_at_the_scan(folder: Path, modules_page: Page) -> None:
    """Each thing that can be wrong with a module is told, the gravest first, and right is right."""
    document = _document(_pack(folder))
    status = json.loads(document["parts"][_digest(_pack(folder), "status")])
    (apart,) = status["apart"]
    verdicts = {verdict: pallet for pallet, verdict in status["pallets"].items()}
    with open_site(folder, person="Mara Lindqvist", now=lambda: NOW) as record:
        reconciled = record.latest("delivery_reconciled")
        assert reconciled is not None
        modules = record.load_frame(reconciled, "modules")
    by_pallet = dict(modules.group_by("pallet").agg(pl.col("serial").first()).iter_rows())
    low = modules.filter(pl.col("current_class") == "L")["serial"][0]
    right, second, third = modules["serial"][0], modules["serial"][1], modules["serial"][2]
    asked = [
        {"code": right, "at": 0},
        {"code": second, "at": 0},
        {"code": low, "at": 0},
        {"code": f"]C1{right.lower()} ", "at": 0},
        {"code": f"(01)04012345678901(21){right}", "at": 0},
        {"code": f"https://example.org/01/04012345678901/21/{right}", "at": 0},
        {"code": "TN2699999999", "at": 0},
        {"code": "4012345678901", "at": 0},
        {"code": by_pallet[verdicts["hold"]], "at": 0},
        {"code": by_pallet[verdicts["refuse"]], "at": 0},
        {"code": apart, "at": 0},
        {"put": [right, 0], "code": right, "at": 0},
        {"code": right, "at": 5},
        {"code": second, "at": 0},
        {"put": [third, 7]},
        {"put": [third, 8], "code": third, "at": 9},
    ]
    told = call(modules_page, _JUDGE, {"pack": document, "asked": asked})
    codes = [code for _, code, _ in told["out"]]
    assert codes == [
        "good", "not_as_planned", "wrong_class", "good", "good", "good", "unknown", "foreign",
        "held", "refused", "apart", "placed_here", "placed_elsewhere", "position_taken",
        "placed_elsewhere",
    ]  # fmt: skip
    levels = [level for level, _, _ in told["out"]]
    assert levels[:6] == ["good", "good", "bad", "good", "good", "good"]
    assert set(levels[6:11]) == {"bad"}
    assert levels[11:] == ["ask", "bad", "ask", "bad"]
    assert "wrong_class" in told["out"][9][2]
    assert told["next"] == 1
    assert told["ending"] == ["TN2610000007"]
    assert {"TN2610000000", "TN2610000007"} <= set(told["near"])
    wrong = [sum(a != b for a, b in zip(one, "TN2610000008", strict=True)) for one in told["near"]]
    assert all(count in {1, 2} for count in wrong)
    assert ["serial", third] in told["conflicts"]
    rows = [int(name.split("-")[3]) for name in told["order"][:52]]
    assert rows == [1] * 26 + [2] * 26


def test_recalled_and_other_blocks_are_told(tmp_path: Path, modules_page: Page) -> None:
    """A recalled module, and on a great site one of another block, are told as such."""
    fresh = site_folder(tmp_path / "own" / "site", table_rows=2)
    with open_site(fresh, person="Mara Lindqvist", now=lambda: NOW) as record:
        recalled = NewEntry(
            kind="office_modules_recalled",
            subject_kind="site",
            subject="recall 7",
            body=json_body({"serials": ["TN2610000014"], "reason": "box"}),
        )
        record.journal.append([recalled])
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("arraywright.web.field_pack.ALL_MODULES", 100)
            pack = make_pack(record, blocks=["F-I02"])
    document = _document(pack)
    runs = json.loads(document["parts"][_digest(pack, "others")])
    assert sum(sum(counts[0::2]) for _, _, _, counts in runs) + pack.manifest["modules"] == 1008
    asked = [
        {"code": "TN2610000014", "at": 0},
        {"code": "TN2610000000", "at": 0},
        {"code": "TN2610000001", "at": 0},
    ]
    told = call(modules_page, _JUDGE, {"pack": document, "asked": asked})
    assert [code for _, code, _ in told["out"]] == ["recalled", "other_block", "unknown"]


def test_judgement_is_ready_in_100_ms_on_a_slow_phone(great_pack: Pack, modules_page: Page) -> None:
    """At six times slowed and 10,000 modules, 95 of 100 scans are judged within 100 ms."""
    session = modules_page.context.new_cdp_session(modules_page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": 6})
    try:
        times = call(
            modules_page,
            """async (pack) => {
              const { Pack } = await import("/static/field/pack.js");
              const { State } = await import("/static/field/state.js");
              const { judge } = await import("/static/field/judge.js");
              const { serialIn, byEnding, nearSerials } = await import("/static/field/code.js");
              const held = new Pack(pack.manifest, pack.parts);
              const state = new State(held);
              const times = [];
              for (let scan = 0; scan < 400; scan += 1) {
                const known = held.serials[(scan * 977) % 10000];
                const code = scan % 4 === 3 ? `TN26${99000000 + scan}` : known;
                const at = (scan * 131) % held.positions.length;
                const start = performance.now();
                const { serial } = serialIn(code, held);
                const told = judge(serial, at, { pack: held, state });
                if (told.code === "unknown") nearSerials(serial, held);
                byEnding(code.slice(-6), held);
                times.push(performance.now() - start);
              }
              return times;
            }""",
            _document(great_pack),
        )
    finally:
        session.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    assert np.percentile(times, 95) < 100.0


def test_check_digits_agree_with_the_servers(modules_page: Page) -> None:
    """The phone's check digit of pallet numbers says what the server's says."""
    draw = np.random.default_rng(3)
    numbers = ["".join(map(str, draw.integers(0, 10, 18))) for _ in range(300)]
    spelled = [f"(00){n}" if k % 3 else f"]C100{n}" for k, n in enumerate(numbers)] + ["123", ""]
    told = call(
        modules_page,
        """async (numbers) => {
          const { ssccFits } = await import("/static/field/code.js");
          return numbers.map(ssccFits);
        }""",
        spelled,
    )
    assert told == check_sscc(pl.Series(spelled)).tolist()
    assert 5 < sum(told) < 80


def test_arrival_order_of_entries_does_not_matter(modules_page: Page) -> None:
    """Placements, corrections and conflicts give the same state in 40 shuffled orders."""
    same = call(
        modules_page,
        """async () => {
          const { State } = await import("/static/field/state.js");
          const encoder = new TextEncoder();
          const uuid = (n) => `00000000-0000-8000-8000-${String(n).padStart(12, "0")}`;
          const entry = (n, kind, subject, body, supersedes) => ({
            uuid: uuid(n), device: "d", sequence: n, person: "p", kind, subject,
            device_time: "2026-06-18T08:00:00.000000Z",
            supersedes: supersedes ? uuid(supersedes) : null,
            body: encoder.encode(JSON.stringify(body)),
          });
          const entries = [
            entry(1, "module_placed", "A", { position: "p1" }),
            entry(2, "module_placed", "B", { position: "p2" }),
            entry(3, "placement_undone", "A", { position: "p1" }, 1),
            entry(4, "module_placed", "A", { position: "p3" }),
            entry(5, "module_placed", "C", { position: "p2" }, 2),
            entry(6, "module_placed", "A", { position: "p4" }),
            entry(7, "module_inspected", "D", { result: "apart", defects: ["glass-broken"] }),
          ];
          const told = (order) => {
            const state = new State();
            for (const one of order) { state.add(one); state.add(one); }
            return JSON.stringify([
              [...state.byPosition.keys()].sort(), state.serialAt("p2"), state.conflicts().length,
              state.where("A").map((one) => one.position).sort(), [...state.apart.keys()],
              state.done.size,
            ]);
          };
          const first = told(entries);
          for (let turn = 0; turn < 40; turn += 1) {
            const order = entries.map((one) => [Math.random(), one]).sort((a, b) => a[0] - b[0]);
            if (told(order.map(([, one]) => one)) !== first) return first;
          }
          return first;
        }""",
    )
    assert json.loads(same)[:4] == [["p2", "p3", "p4"], "C", 1, ["p3", "p4"]]


def test_rows_of_phone_entries(tmp_path: Path) -> None:
    """Placements and readings come out as rows, clocks put right, nonsense told and left out."""
    fresh = site_folder(tmp_path / "own" / "site", table_rows=1)
    with open_site(fresh, person="Mara Lindqvist", now=lambda: NOW) as record:
        (one, two) = record.site.positions["position"].to_list()[:2]
        string = record.site.strings["string"][0]

        def said(kind: str, subject: str, body: dict[str, object]) -> NewEntry:
            return NewEntry(kind=kind, subject_kind="module", subject=subject, body=json_body(body))

        record.journal.append(
            [
                said("module_placed", "A", {"position": one, "clock_offset_s": -3600}),
                said("module_placed", "A", {"position": two}),
                said("module_placed", "B", {"position": "nowhere"}),
                said("module_placed", "C", {"position": 7}),
                said("string_tested", string, {"reading": {"voc_v": 1300, "meter": "M-1"}}),
                said("string_tested", string, {"reading": [1]}),
            ]
        )
        rows = field_rows(record.journal, record.site)
        assert rows.placements["position"].to_list() == [one, two]
        first, second = rows.placements["placed_at"].to_list()
        assert (second - first).total_seconds() == 3600
        assert rows.readings["voc_v"].to_list() == [1300.0, None]
        assert len(rows.unreadable) == 1
        projection = ConflictsProjection(PLACEMENT_RULES)
        ProjectionRunner(record.journal, [projection]).catch_up()
        found = {conflict.value for conflict in projection.conflicts(record.journal)}
        assert "A" in found


def test_open_points_of_phones_become_findings(tmp_path: Path) -> None:
    """What phones leave open is told once, graver things as failing, and goes when settled."""
    fresh = site_folder(tmp_path / "own" / "site", table_rows=1)
    with open_site(fresh, person="Mara Lindqvist", now=lambda: NOW) as record:
        one, two, three = record.site.positions["position"].to_list()[:3]

        def said(kind: str, subject: str, **body: object) -> NewEntry:
            return NewEntry(kind=kind, subject_kind="x", subject=subject, body=json_body(body))

        made = record.journal.append(
            [
                said("module_placed", "A", position=one, judgement="good"),
                said("module_placed", "B", position=two, judgement="held", open_point=True),
                said("position_skipped", one, reason="access"),
                said("position_skipped", three, reason="access"),
                said("defect_reported", "A", severity="danger", what="glass"),
                said("torque_checked", "T", torque_nm=30, open_point=True, range=[18, 24]),
                said("torque_checked", "T", torque_nm=20),
                said("module_inspected", "C", result="sound"),
            ]
        )
        found = field_points(record.journal, record.site)
        assert [(one.finding.check, one.finding.verdict.value) for one in found] == [
            ("module-placed", "fail"),
            ("position-skipped", "review"),
            ("defect-reported", "fail"),
            ("torque-checked", "review"),
        ]
        undone = NewEntry(
            kind="placement_undone",
            subject_kind="module",
            subject="B",
            body=json_body({"position": two}),
            supersedes=next(e.uuid for e in made if e.subject == "B"),
        )
        record.journal.append([undone])
        assert len(field_points(record.journal, record.site)) == 3


def test_words_are_the_same_in_every_language() -> None:
    """English, German and Spanish have the same keys and the same gaps."""
    assert set(languages(area="field")) >= {"en", "de", "es"}
    folder = WEB / "messages"
    held = {
        language: tomllib.loads((folder / f"field.{language}.toml").read_text("utf-8"))
        for language in ("en", "de", "es")
    }
    gaps = string.Formatter()
    for key, words in held["en"].items():
        wanted = {name for _, name, _, _ in gaps.parse(words) if name}
        for language in ("de", "es"):
            other = {name for _, name, _, _ in gaps.parse(held[language][key]) if name}
            assert other == wanted, (language, key)
    assert held["en"].keys() == held["de"].keys() == held["es"].keys()


def test_every_key_asked_for_has_words() -> None:
    """Literal keys in the scripts, inspection items and cautions all have words."""
    words = catalogue("en", area="field")
    asked = set()
    for path in FIELD.glob("*.js"):
        text = path.read_text("utf-8")
        asked |= set(re.findall(r'\bt\(\s*"([a-z_0-9]+)"', text))
        asked |= {f"caution_{key}" for key in _listed(text, r"cautions: \[([^\]]*)\]")}
        asked |= {f"option_{key}" for key in _listed(text, r"options: \[([^\]]*)\]")}
        asked |= {f"ask_{key}" for key in re.findall(r'\{\s*name: "(\w+)",\s*type:', text)}
    asked |= {f"defect_{item.key.replace('-', '_')}" for item in INSPECTION_ITEMS}
    asked |= {f"part_{item.part.replace(' ', '_')}" for item in INSPECTION_ITEMS}
    known = {key for key in words if key.startswith("caution_")}
    missing = {
        key
        for key in asked
        if key not in words and f"caution_{key.removeprefix('option_')}" not in words
    }
    assert not missing
    assert len(asked) > 200
    assert len(known) >= len(CAUTIONS)


def _listed(text: str, pattern: str) -> set[str]:
    return {
        key for found in re.findall(pattern, text) for key in re.findall(r'"([a-z_0-9]+)"', found)
    }


def test_vendored_scripts_are_as_published() -> None:
    """Every listed file has the hash it was listed with, and the decoder is listed whole."""
    vendor = WEB / "static" / "vendor"
    listed = tomllib.loads((vendor / "manifest.toml").read_text("utf-8"))["script"]
    for script in listed:
        data = (vendor / script["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == script["sha256"], script["file"]
        assert script["licence"]
        assert script["version"]
    there = {
        path.relative_to(vendor).as_posix()
        for path in (vendor / "zxing").rglob("*")
        if path.suffix in {".js", ".wasm"}
    }
    assert there == {s["file"] for s in listed if s["file"].startswith("zxing/")}


def test_a_pack_with_a_missing_part_is_refused(great_pack: Pack, modules_page: Page) -> None:
    """A pack that lacks a part is never taken for whole."""
    document = copy.deepcopy(_document(great_pack))
    del document["parts"][_digest(great_pack, "status")]
    told = call(
        modules_page,
        """async (pack) => {
          const { Pack } = await import("/static/field/pack.js");
          try {
            new Pack(pack.manifest, pack.parts);
            return "";
          } catch (error) {
            return error.message;
          }
        }""",
        document,
    )
    assert "status" in told
