"""What the prompt tells of questions, while the thread that owns the supervisor asks more of them."""

from __future__ import annotations

import threading
from typing import Any

from conformance.bench.brokers.broker import start_broker
from conformance.commands.supervise.command import _tell_questions
from conformance.commands.supervise.prompt import Prompt
from conformance.commands.supervise.yard import WireYard
from protocol.site_file import scenario
from reference_node.scenario.scenario_file import load_scenario
from reference_node.supervisor.person.by_hand import ByHand


class WatchedList(list[Any]):
    """Remembers which threads have read it."""

    def __init__(self, *items: Any) -> None:
        super().__init__(items)
        self.readers: set[int] = set()

    def __iter__(self) -> Any:
        self.readers.add(threading.get_ident())
        return super().__iter__()

    def __len__(self) -> int:
        self.readers.add(threading.get_ident())
        return super().__len__()


def test_questions_are_counted_and_looked_at_on_the_thread_that_asks_them() -> None:
    """Between two looks from outside a question could be asked, which was then counted and never told."""
    site = scenario()
    with start_broker("embedded") as broker:
        yard = WireYard(load_scenario("01-one-crane", site), site, broker, simulated=True)
        with yard.running():
            asked, questions = WatchedList(), WatchedList()

            def put() -> None:
                yard.story.asked = asked
                yard.supervisor.open_questions.questions = questions

            yard.call(put)
            asked.readers.clear()
            questions.readers.clear()
            assert _tell_questions(yard, Prompt(ByHand(lambda: yard.supervisor)), 0) == 0
            here = threading.get_ident()
    assert here not in asked.readers | questions.readers
    assert asked.readers
    assert questions.readers
