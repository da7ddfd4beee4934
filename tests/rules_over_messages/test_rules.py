"""Every rule over many messages: silent on a good run, and heard on the same run with one thing bent."""

from __future__ import annotations

from pathlib import Path

import pytest

from examples.yard_on_virtual_time import run
from protocol.recording import RecordingReader
from protocol.rules import watch
from protocol.specification import specification
from tests.rules_over_messages.bent import SITE, good_tale
from tests.rules_over_messages.every_bend import BENT, Bend


@pytest.mark.parametrize("with_site", [True, False])
def test_a_good_run_breaks_nothing(with_site: bool) -> None:
    assert good_tale().breaches(site=with_site) == []


@pytest.mark.parametrize("seed", range(3))
def test_loss_at_qos_0_accuses_nobody(tmp_path: Path, seed: int) -> None:
    """One message in twenty is lost on each leg: what follows from that is noted and no breach."""
    path = tmp_path / "lossy.ywrec"
    run(path, seed=seed, loss=0.05)
    with path.open("rb") as file:
        found = list(watch(RecordingReader(file), SITE))
    assert [str(one) for one in found if not one.note] == []
    assert any(one.requirement == "MSG-07" for one in found)


@pytest.mark.parametrize(("requirement", "bend"), BENT, ids=[f"{id_}-{bend.__name__}" for id_, bend in BENT])
def test_a_bent_run_is_told(requirement: str, bend: Bend) -> None:
    tale = good_tale()
    bend(tale)
    assert requirement in specification().requirements
    assert requirement in tale.broken(), [str(one) for one in tale.breaches()]
