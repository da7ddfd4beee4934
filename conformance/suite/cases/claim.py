"""Who may order: claims and the mark."""

from __future__ import annotations

from typing import Any

from conformance.suite.case import case
from conformance.suite.cases.orders import late_job
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import complete
from conformance.suite.preamble import fit, reset_node, start


@case("CLM-01", "ORD-14", after=("orders-ask",))
def claim_raises(fixture: Fixture) -> None:
    """A claim above the mark is answered 'done', and the mark is then its id.

    Asks, claims with an id made as a supervisor makes it, and asks again. Every case that orders rests on
    this one.
    """
    before = fixture.ask()
    claim = fixture.send({"act": "claim", "boot": before.boot, "id": fixture.new_claim(before.mark)})
    report = fixture.report(claim)
    said = (report.body["state"], report.body["mark"])
    fixture.equal(said, ("done", claim.id), "CLM-01", f"'done' and mark {claim.id}", report)
    fixture.equal(report.body["order_boot"], before.boot, "ORD-14", f"order_boot {before.boot}", report)
    after = fixture.ask()
    fixture.equal(after.mark, claim.id, "CLM-01", f"mark {claim.id} after a fence", after.report)


@case("CLM-02", after=("claim-raises",))
def claim_again(fixture: Fixture) -> None:
    """A claim whose own id is the mark is answered 'done' again.

    Sends the same claim twice: a claim is repeated until it is answered.
    """
    claim = fixture.send(fixture.compose("claim", id=fixture.ask().mark + 4096))
    fixture.report(claim)
    again = fixture.send(claim.body)
    report = fixture.report(again)
    said = (report.body["state"], report.body["mark"])
    fixture.equal(said, ("done", claim.id), "CLM-02", f"'done' and mark {claim.id}", report)


@case("CLM-02", after=("claim-raises",))
def claim_below(fixture: Fixture) -> None:
    """A claim below the mark changes nothing and is refused 'stale' with the mark.

    Claims below the mark, once just below and once at random.
    """
    before = fixture.ask()
    for back in (1, fixture.rng.randrange(2, 200)):
        claim = fixture.send(fixture.compose("claim", id=before.mark - back))
        fixture.refused(claim, "stale", "CLM-02", mark=before.mark)
    after = fixture.unmoved(before, "CLM-02")
    fixture.equal(after.mark, before.mark, "CLM-02", f"mark {before.mark}", after.report)


@case("CLM-05", after=("claim-again",))
def claim_claimant(fixture: Fixture) -> None:
    """A claim that is answered 'done' is told whose claim raised the mark: two who drew one number learn who owns.

    Claims with a random token, then the same id with another and with none: all reports carry the first token.
    Claims higher without one, and the same id with one: no report carries any. At last an order that is late raises
    the mark, and a claim of that very id is answered without a claimant.
    """
    first, second = fixture.new_token(), fixture.new_token()
    body = fixture.compose("claim", id=fixture.ask().mark + 4096)
    for token in (first, second, None, first):
        _told_claimant(fixture, body, token, first)
    body = fixture.compose("claim", id=fixture.ask().mark + 4096)
    for token in (None, second):
        _told_claimant(fixture, body, token, None)
    body = fixture.compose("claim", id=fixture.ask().mark + 4096)
    _told_claimant(fixture, body, first, first)
    late = fixture.send(late_job(fixture, id=body["id"] + 1))
    fixture.refused(late, "late", "ORD-10", mark=late.id)
    _told_claimant(fixture, {**body, "id": late.id}, second, None)


def _told_claimant(fixture: Fixture, claim: dict[str, Any], token: int | None, wanted: int | None) -> None:
    """Send a claim with that token, or none; demand 'done' and the claimant that is wanted, or none."""
    sent = fixture.send(claim if token is None else {**claim, "token": token})
    report = fixture.report(sent)
    said = report.body["state"], report.body.get("claimant")
    told = "no claimant" if wanted is None else f"claimant {wanted}"
    fixture.check(said == ("done", wanted), "CLM-05", f"'done' with {told}", said, report)


@case("CLM-03", after=("claim-raises", "orders-job"), moves=True)
def claim_keeps_job(fixture: Fixture) -> None:
    """A claim ends no job: what is open goes on and is done.

    Starts a job, claims with a higher id, and brings the job to its end.
    """
    fit(fixture)
    sent = start(fixture)
    claim = fixture.send(fixture.compose("claim", id=fixture.ask().mark + 4096))
    report = fixture.report(claim)
    fixture.equal(report.body["state"], "done", "CLM-01", "the claim 'done'", report)
    final = complete(fixture, sent)
    fixture.equal(final.body["state"], "done", "CLM-03", "the job 'done'", final)


@case("CLM-04", "MSG-05", "SAF-02", after=("claim-raises",), restarts=True)
def claim_after_reset(fixture: Fixture) -> None:
    """After a reset the boot is another and the mark is 0, and an order for the boot before does not raise
    it.

    Resets the node, and sends it an order of its last life: 'wrong-boot', and the mark stays 0. No motor
    was on.
    """
    before = fixture.ask()
    said = reset_node(fixture)
    fixture.need(said is not None, "the node did not come back after its reset")
    first = fixture.ask()
    fixture.check(
        first.boot != before.boot, "MSG-05", f"a boot other than {before.boot}", first.boot, first.report
    )
    fixture.equal(first.mark, 0, "CLM-04", "mark 0 after the reset", first.report)
    old = fixture.send({"act": "claim", "boot": before.boot, "id": before.mark + 1})
    fixture.refused(old, "wrong-boot", "CLM-04")
    after = fixture.unmoved(first, "SAF-02")
    fixture.equal(after.mark, 0, "CLM-04", "mark 0", after.report)
    fixture.check(
        after.starts in (None, 0), "SAF-02", "'starts' 0 after the reset", after.starts, after.report
    )
