"""The quick allocation with one more cover of a kind, begun where it parts from the one without.

Covers go on by what they save, the best first (`allocation/greedy.py`). One more cover changes
nothing until it is itself the best that is left, so up to there the units are those placed without
it; only from there on the covers are given out anew. What is best under a cover is asked again and
again with the same plants bare, and is remembered for as long as one night's question is answered.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from gardenapp.science.allocation.fit import Option, Prepared
from gardenapp.science.allocation.greedy import SLACK, Tally, Unit, fill_greedily
from gardenapp.science.allocation.problem import Id

Contents = dict[Id, int]


@dataclass(frozen=True)
class OneMore:
    """The allocation without any of the added covers, and with one of each that gets a place."""

    without: Tally
    with_one: Mapping[Id, Tally]


class RecallingTally(Tally):
    """A tally that remembers what was best under a cover with the same plants bare.

    `known` may be shared by tallies of one prepared problem and of no other.
    """

    def __init__(self, prepared: Prepared, known: dict[tuple[int, ...], Contents]) -> None:
        super().__init__(prepared)
        self._known = known
        # What else a planting is under then counts too, and the plants left bare do not tell.
        self._recalls = not prepared.problem.least_share

    def best_contents(self, option: Option) -> Contents:
        """As `Tally.best_contents`; pots for shelter and single plantings are quick to find."""
        if option.is_shelter or len(option.members) == 1 or not self._recalls:
            return super().best_contents(option)
        bare = self.bare
        key = (option.index, *[bare[member[0]] for member in option.members])
        found = self._known.get(key)
        if found is None:
            found = self._known[key] = super().best_contents(option)
        return dict(found)


class _Waiting:
    """The added covers that nothing has been better than leaving in the store for, so far."""

    def __init__(self, tally: Tally, options: Mapping[Id, list[Option]]) -> None:
        self._tally = tally
        self._options = dict(options)
        self._nets: dict[int, float] = {}
        self._weigh(option for here in options.values() for option in here)

    def _weigh(self, options: Iterable[Option]) -> None:
        for option in options:
            contents = self._tally.best_contents(option)
            is_any_good = contents and self._tally.is_worth_a_job(option, contents)
            self._nets[option.index] = self._tally.net_of(option, contents) if is_any_good else 0.0

    def weigh_again(self, plot_id: Id) -> None:
        """Something was placed in this plot: fewer plants are bare, and the way there is paid."""
        for here in self._options.values():
            self._weigh(option for option in here if option.plot_id == plot_id)

    def leave(self, net: float, index: int) -> dict[Id, Unit]:
        """Those whose best unit comes before one of this worth and index; they wait no more."""
        left = {}
        for pool_id, options in self._options.items():
            ranks = {(-self._nets[option.index], option.index): option for option in options}
            for rank in sorted(rank for rank in ranks if rank < (-net, index)):
                contents = self._tally.best_contents(ranks[rank])
                if self._tally.has_room_for(ranks[rank], contents, is_known_to_stand=True):
                    left[pool_id] = Unit(ranks[rank].index, contents)
                    break
        for pool_id in left:
            del self._options[pool_id]
        return left


def fill_with_one_more(prepared: Prepared, added: Collection[Id]) -> OneMore:
    """Give out the covers without the pools `added`, and again with one cover of each in turn.

    Parameters
    ----------
    prepared : counts one cover in each of the pools `added`; no treatment needs two of them, nor
        one of them and another pool.
    added : pool ids.

    Returns
    -------
    The allocations that `fill_greedily` finds from the options of the other pools, and from these
    with those of one added pool. A pool of which nothing is placed is left out.
    """
    own: list[Option] = []
    more: dict[Id, list[Option]] = {}
    for option in prepared.options:
        needs = [pool_id for pool_id, _ in option.needs if pool_id in added]
        if needs:
            more.setdefault(needs[0], []).append(option)
        else:
            own.append(option)
    known: dict[tuple[int, ...], Contents] = {}
    without = fill_greedily(RecallingTally(prepared, known), own)
    tally = RecallingTally(prepared, known)
    waiting = _Waiting(tally, more)
    with_one: dict[Id, Tally] = {}

    def part(at: int, first: Mapping[Id, Unit]) -> None:
        for pool_id, unit in first.items():
            placed = RecallingTally(prepared, known)
            for one in (*without.units[:at], unit):
                placed.place(prepared.options[one.option_index], one.contents)
            with_one[pool_id] = fill_greedily(placed, _still_possible(placed, own))

    for at, unit in enumerate(without.units):
        option = prepared.options[unit.option_index]
        part(at, waiting.leave(tally.net_of(option, unit.contents), option.index))
        tally.place(option, unit.contents)
        waiting.weigh_again(option.plot_id)
    part(len(without.units), waiting.leave(SLACK, -1))
    return OneMore(without, with_one)


def _still_possible(tally: Tally, options: Iterable[Option]) -> list[Option]:
    """Without those whose covers or plants are used up: neither comes back."""
    covers, bare = tally.covers, tally.bare
    return [
        option
        for option in options
        if all(covers[pool_id] >= each for pool_id, each in option.needs)
        and any(bare[member.planting_id] for member in option.members)
    ]
