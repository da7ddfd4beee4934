"""People: what they find where they look, and what they fix."""

from __future__ import annotations

from tests.proof.yard.participants import Participants
from tests.proof.yard.state import State
from tests.proof.yard.supervisor_steps import Asked
from tests.proof.yard.world import World


class People(Participants):
    """Answers to the questions of supervisors."""

    def _answer(self, state: State, asked: Asked) -> tuple[str, ...]:
        """What a person finds."""
        world: World = self.worlds.all[state.world]
        match asked.about:
            case "slots":
                slots = self.site.places[asked.place].slots
                return tuple(world.box_at((asked.place, slot)) for slot in range(slots))
            case "spreader":
                return (world.box_held(asked.node),)
            case "shuttle":
                shuttle = self.site.nodes[asked.node].shuttle
                assert shuttle is not None
                return (world.stand_of(asked.node) or shuttle.stops[0],)
        return ()

    def _can_be_looked_at(self, state: State, asked: Asked) -> bool:
        """Whether somebody has had the time to look: a debounce is over before anybody has."""
        if asked.node not in self.node_names:
            return True
        number = self.node_names.index(asked.node)
        return self.nodes[number].states[state.nodes[number]].settled

    def _after_looking(self, state: State, asked: Asked) -> State:
        """A person fixes what is jammed, gives power back, pushes a shuttle to a stop, takes a train off its track."""
        world: World = self.worlds.all[state.world]
        if asked.about == "shuttle":
            state = state._replace(
                world=self.worlds.number(world.with_stand(asked.node, self._answer(state, asked)[0]))
            )
        if asked.about == "track":
            off = world.with_train(asked.node, "away").without_boxes(asked.place)
            state = state._replace(world=self.worlds.number(off))
            state, _ = self._node(state, self.node_names.index(asked.node), ("take off",))
        if asked.node in self.node_names and asked.about not in ("held", "gap"):
            number = self.node_names.index(asked.node)
            known = self.nodes[number].states[state.nodes[number]]
            if known.jammed or not known.powered:
                state, _ = self._node(state, number, ("fix",))
        return state
