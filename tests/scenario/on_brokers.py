"""Every scenario of the kit in real time on real brokers, half an hour each: `python -m tests.scenario.on_brokers`."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable

import click

from conformance.bench.brokers.broker import start_broker
from conformance.commands.supervise.command import LOOK_S
from conformance.commands.supervise.yard import WireYard
from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.scenario_file import library, load_scenario
from reference_node.scenario.story import Outcome

SITE = site_of_the_kit()


def played_on(choice: str, name: str) -> Outcome:
    """Play one scenario; asserts that no thread is left behind."""
    before = threading.active_count()
    with start_broker(choice) as broker:
        yard = WireYard(load_scenario(name, SITE), SITE, broker, simulated=True)
        with yard.running():
            while not yard.over:
                time.sleep(LOOK_S)
                yard.go_on()
            outcome = yard.ended()
    assert threading.active_count() <= before, threading.enumerate()
    return outcome


def every(choice: str, names: list[str], say: Callable[[str], None]) -> int:
    """Play scenarios one after the other; gives how many did not come out as they expect."""
    wrong = 0
    for name in names:
        outcome = played_on(choice, name)
        wrong += bool(outcome.wrong)
        verdict = "as expected" if not outcome.wrong else "NOT AS EXPECTED"
        say(f"{choice:9}  {name:22}  {outcome.took_ms / 1000:6.1f} s  {outcome.jobs:2} jobs  {verdict}")
        for what in (*outcome.wrong, *(outcome.log if outcome.wrong else ())):
            say(f"    {what}")
    return wrong


@click.command()
@click.argument("names", nargs=-1)
@click.option("--broker", "choices", type=click.Choice(["embedded", "mosquitto"]), multiple=True)
def main(names: tuple[str, ...], choices: tuple[str, ...]) -> None:
    """Play scenarios (all, or NAMES) on both brokers or the ones given; ends with 1 when one went otherwise."""
    chosen = list(names) or list(library())
    sys.exit(sum(every(choice, chosen, print) for choice in choices or ("embedded", "mosquitto")) > 0)


if __name__ == "__main__":
    main()
