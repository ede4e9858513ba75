"""What a description says of strings that may mix classes."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from arraywright.findings import Verdict
from arraywright.readers.site_values import Description
from arraywright.readers.site_waivers import read_waivers
from arraywright.readers.toml_lines import TomlLines

SOUND = {
    "string": "S1",
    "power_class_w": 550.0,
    "current_class": "M",
    "other_power_class_w": 550,
    "other_current_class": "H",
    "reason": "last of the lot",
    "decided_by": "owner's engineer",
    "decided_on": date(2027, 3, 1),
}


def _description() -> Description:
    return Description(str(Path("site.toml")), TomlLines(""))


def test_a_waiver_is_read_with_who_decided_it_and_why() -> None:
    """All that makes the decision traceable is in the site."""
    description = _description()
    (held,) = read_waivers(description, {"waivers": [SOUND]})
    assert not description.findings
    assert (held.string, held.current_class, held.other_current_class) == ("S1", "M", "H")
    assert (held.power_class_w, held.other_power_class_w) == (550.0, 550.0)
    assert (held.decided_by, held.decided_on) == ("owner's engineer", date(2027, 3, 1))
    assert held.reason == "last of the lot"


def test_a_waiver_nobody_decided_is_refused() -> None:
    """Without a reason, a name or a day there is no waiver, and the gap is told."""
    for missing in ("reason", "decided_by", "decided_on", "string", "other_power_class_w"):
        description = _description()
        table = {name: value for name, value in SOUND.items() if name != missing}
        assert read_waivers(description, {"waivers": [table]}) == ()
        assert [one.verdict for one in description.findings] == [Verdict.FAIL]
        assert missing in str(description.findings[0].place)


def test_a_site_without_waivers_has_none() -> None:
    """Nothing is mixed by default."""
    assert read_waivers(_description(), {}) == ()
