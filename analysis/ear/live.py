"""Hearing as it comes: learn the buzzer from what was heard so far, then report each change.

A taught buzzer is listened for from the first block, and each change is reported as it settles, if
it is rather a buzzer's than not (:mod:`analysis.ear.belief`): talk has none. At ever longer
intervals its print is tried to be fitted to the last LONGEST_S of sound; an untaught one is looked
for there, until it has changed and is plain, or its changes are plainly a buzzer's. What had gone
by is then heard again, so that no change is lost, and from there on every change is reported as it
settles. A likelier one is looked for until PLENTY sure changes have shown it, or ENOUGH of any; and
one that is like it when its print goes astray, for what was lost of a state cannot be followed. If
the latest are surely no buzzer's after all, it is looked for anew; what was told before stays told.
At the end of the sound a buzzer is believed as it is from a file, for there is no more to come.
A change that is doubted to the last waits for the next, WAITS_S at most: two such are none. Every
PIECE_S the print follows the buzzer's drift, when no change is under way.

The ear and its model are those of :mod:`analysis.ear.recording`; what differs is only what could
be known by then.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.change import Change, Points, Sounding
from analysis.ear.beeps import BeepGatherer
from analysis.ear.belief import CLEARLY, SURE_LOG_ODDS, log_odds_of_buzzer, worth
from analysis.ear.buzzer import BuzzerPrint
from analysis.ear.drift import PIECE_S, Pieces
from analysis.ear.ear import Ear
from analysis.ear.learning import say_the_same
from analysis.ear.recording import ENOUGH, PLAIN_LOG_ODDS, SURELY_NONE, TRIED_LOG_ODDS
from analysis.ear.retune import LEAST_WORTH, find
from analysis.ear.spectrum import FrameGrid, Powers
from analysis.ear.window import Lately, frames_of, joined
from analysis.sound import Block

LONGEST_S = 40.0
"""How much of the latest sound is kept to learn from."""
MOST_TRIED = 2
"""How many prints that are not plain what had gone by is heard with at a time."""
SHOWN_LOG_ODDS, FEWEST = 6.0, 3
"""Log odds over all changes that show a buzzer where the sound alone is not plain: twice as many,
by half of them each. Of fewer changes anything may be sharp and alike."""
PLAIN_SHOWN = 2.0
"""The same where the sound alone is plain."""
LEAST_SHOWN, SHOWN_FOR_S = 1.0, 3.0
"""Least log odds that many changes may show it by, and for how long: one phrase that is whistled is
alike. Of 45 stretches of 25 s with no buzzer 8 were taken for one by their sum alone, and where the
sound was plain by any; 2 are now."""
PLENTY, FEWEST_SURE = 6, 4
"""So many changes of a sure buzzer are enough to look for none that is likelier; or fewer, where
the log odds of all come to as much."""
FIRST_TRY_S = 4.0
RELUCTANCE, MOST_APART_S = 1.35, 10.0
"""Each try to learn or fit comes this much later than the one before, up to LONGEST_S apart; no
further apart than the second while no buzzer is known, for the points may be at rest for long
before they are moved, or where one has gone astray."""
LITTLE_S = 20.0
"""In less sound than this only a plain buzzer is taken for the one that was taught."""
CELL_S = 0.1
"""The latest sound is kept in cells of this length, and looked at again when one is full: so it
does not matter how long the blocks are."""
SAME_S = 0.03
"""A change this close to the last that was told is that one."""
FOLLOWED = 6
"""How many of the latest pieces the print is fitted to as it follows."""
ASTRAY, MOST_UNTOLD = 2, 2
"""A buzzer is astray when so many times running a fresh print is refused, or its frames change more
often than was told, by more than this. One that sounds in both states is astray as well where it
is not heard to change: either may be lost in the other, without a sign. None is of which ENOUGH was
told meanwhile, as of a beeper."""
WAITS_S = 3.0
"""For so long a change that is doubted to the last is kept back: where the next one is as well, the
tone had but become fainter for a while. Most of those last no longer."""


class LiveEar:
    """Hear changes as they come.

    Parameters
    ----------
    rate_hz : float
        Samples per second of every block.
    sounding : {"open", "closed", "both"} or None
        When the buzzer sounds, if told.
    buzzer : BuzzerPrint or None
        The buzzer, if it was taught.

    Attributes
    ----------
    learnt : BuzzerPrint or None
        Its print as it was taught or learnt, before it was followed; None while there is none.
    """

    def __init__(
        self, rate_hz: float, sounding: Sounding | None = None, buzzer: BuzzerPrint | None = None
    ):
        self._grid = FrameGrid.at_rate(rate_hz)
        self._sounding = sounding
        self._lately = Lately(CELL_S, LONGEST_S)
        self._ear = None if buzzer is None else Ear(rate_hz, buzzer, sounding)
        self._find_s, self._follow_s = FIRST_TRY_S, 0.0
        self._pieces: Pieces | None = None  # to follow it by
        self._taught = buzzer is not None
        self._trusted = False  # a taught one may not be heard in what sounds
        self._latest: deque[Change] = deque(maxlen=ENOUGH)
        self._told_s = -math.inf
        self._had_been = -math.inf  # log odds of what beeps, less what may have changed since
        self._strayed = 0  # times running
        self._waiting: Change | None = None  # doubted to the last
        self._gatherer = BeepGatherer()
        self.learnt: BuzzerPrint | None = buzzer

    @property
    def buzzer(self) -> BuzzerPrint | None:
        """The buzzer's print; None until it is known."""
        return None if self._ear is None else self._ear.buzzer

    @property
    def state(self) -> Points | None:
        """How the points stand, as far as is known."""
        return None if self._ear is None else self._ear.points

    def hear(self, block: Block) -> list[Change]:
        """Take a block and return the changes that are settled now, in time order."""
        changes: list[Change] = []
        for piece, is_cells_end in self._lately.pieces(block):
            heard = self._waited_for(piece.end_s)
            if self._ear is not None:
                heard += self._believed(self._ear, self._ear.hear(piece))
            if is_cells_end:
                heard += self._look_back()
            self._gather_as_it_beeps()
            changes += self._gatherer.take(heard, piece.end_s)
        return changes

    def finish(self) -> list[Change]:
        """Return what the end of the sound leaves unsettled."""
        self._lately.end_cell()
        changes = self._find(at_end=True)
        if self._ear is not None:
            changes += self._believed(self._ear, self._ear.finish())
            changes += self._waited_for(math.inf)
        self._gather_as_it_beeps()
        end_s = self._lately.blocks[-1].end_s if self._lately.blocks else 0.0
        return self._gatherer.finish(changes, end_s)

    def _gather_as_it_beeps(self) -> None:
        """Let the gatherer of beeps know how the buzzer beeps, if it does."""
        if self._ear is not None:
            self._gatherer.pulse_s = self._ear.buzzer.pulse_s
            self._gatherer.sounds = self._ear.sounds

    def _look_back(self) -> list[Change]:
        """Learn, fit or follow the buzzer, when that is due; return what is told of it anew."""
        now_s, ear = self._lately.heard_s + CELL_S / 2, self._ear
        if ear is not None and ear.busy:
            return []
        if now_s > self._find_s:
            return self._find(at_end=False)
        if ear is not None and self._trusted and now_s > self._follow_s:
            self._follow(ear)
        return []

    def _find(self, at_end: bool) -> list[Change]:
        """Learn the buzzer, or a likelier one, or fit the taught one to the sound of this day."""
        heard_s = self._lately.heard_s
        later_s = (RELUCTANCE - 1) * heard_s
        self._find_s = heard_s + min(MOST_APART_S, later_s)
        now = self._now()
        shown = now is not None and self._is_shown(now)
        if not self._lately.blocks or (shown and not self._is_astray):
            return []
        likeliest = self._likeliest(now, at_end, self.learnt if shown or self._taught else None)
        more = 0.0 if self._is_astray else CLEARLY
        self._strayed = 0
        if now is not None and (likeliest is None or likeliest.worth <= now.worth + more):
            self._find_s = heard_s + min(LONGEST_S, later_s)
            return []
        if likeliest is None:
            return []
        if now is not None:
            told = [change.time_s for change in self._latest if change is not self._waiting]
            self._told_s, self._waiting = max([self._told_s, *told]), None
            self._gatherer = BeepGatherer()
        changes = likeliest.changes
        self._ear, self._trusted, self.learnt = likeliest.ear, True, likeliest.ear.buzzer
        self._had_been = -math.inf
        self._ear.let_go(but=min(len(changes), ENOUGH))
        self._latest = deque(changes, maxlen=ENOUGH)
        self._pieces, self._follow_s = None, heard_s + PIECE_S
        return [change for change in changes if change.time_s > self._told_s + SAME_S]

    def _now(self) -> "_Tried | None":
        """Return what the buzzer told of the latest sound; None if none is trusted."""
        if self._ear is None or not self._trusted:
            return None
        since_s = self._lately.blocks[0].start_s
        changes = [change for change in self._latest if change.time_s >= since_s]
        log_odds = log_odds_of_buzzer(self._ear.buzzer, self._latest, self._ear.told.manner())
        return _Tried(self._ear, changes, log_odds)

    def _is_shown(self, now: "_Tried") -> bool:
        """Say whether the buzzer is known for good, so that no likelier one is looked for."""
        count = len(self._latest)
        surely = now.log_odds * min(count, PLENTY) > SURE_LOG_ODDS * PLENTY
        return self._taught or (count >= FEWEST_SURE and surely) or count == ENOUGH

    def _likeliest(
        self, now: "_Tried | None", at_end: bool, known: BuzzerPrint | None
    ) -> "_Tried | None":
        """Return what was heard of the likeliest buzzer in the latest sound, if there may be one;
        where it is known, of what is like it.

        The search ends with what is plain and sure, or is known already; of one that is astray,
        with what is left.
        """
        powers = frames_of(self._lately.blocks)
        least_log_odds = self._plain_log_odds(at_end)
        best: _Tried | None = None
        for number, one in enumerate(find(powers, self._grid, known)):
            plain = one.quality >= least_log_odds
            if one.quality < TRIED_LOG_ODDS or not (plain or number < MOST_TRIED):
                continue
            tried = self._try(one, now, powers)
            if self._may_be_it(tried, plain, at_end):
                best = tried if best is None or tried.worth > best.worth else best
                enough = 0.0 if tried is now else SURE_LOG_ODDS
                if plain and tried.log_odds > enough and not self._is_astray:
                    break
        return best

    def _plain_log_odds(self, at_end: bool) -> float:
        """Return the log odds with which a sound is plain enough by now."""
        enough = self._taught and (at_end or self._lately.heard_s >= LITTLE_S)
        return LEAST_WORTH if enough else PLAIN_LOG_ODDS

    def _try(self, found: BuzzerPrint, now: "_Tried | None", powers: Powers) -> "_Tried":
        """Hear with a print what had gone by.

        One that sounds in both states is heard as its level sways as well. Where a print says of
        the frames what the present one does, that was heard already.
        """
        ways = {False, found.sounds_in_both()}
        tried = []
        if now is not None and say_the_same(found, now.ear.buzzer, powers, self._grid):
            tried.append(now)
            ways.discard(now.ear.sways)
        tried += [self._heard_again(found, sways) for sways in sorted(ways)]
        return max(tried, key=lambda one: one.worth)

    def _heard_again(self, found: BuzzerPrint, sways: bool) -> "_Tried":
        """Hear once more with a print what had gone by."""
        ear = Ear(self._grid.rate_hz, found, self._sounding, sways)
        heard = [change for block in joined(self._lately.blocks) for change in ear.hear(block)]
        changes = ear.told.reconsider(heard)
        return _Tried(ear, changes, log_odds_of_buzzer(found, changes, ear.told.manner()))

    def _may_be_it(self, tried: "_Tried", plain: bool, at_end: bool) -> bool:
        """Say whether it is a buzzer; what is not plain by its sound is shown by its changes."""
        count = len(tried.changes)
        if at_end or (self._taught and plain):
            return tried.log_odds > 0.0 and (self._taught or count > 0)
        if plain:
            return tried.log_odds * count > PLAIN_SHOWN
        if count < FEWEST or tried.changes[-1].time_s - tried.changes[0].time_s < SHOWN_FOR_S:
            return False
        return tried.log_odds > max(LEAST_SHOWN, SHOWN_LOG_ODDS / count)

    def _believed(self, ear: Ear, changes: list[Change]) -> list[Change]:
        """Return what may be told: of a taught buzzer, only what is rather a buzzer's than not.

        The rest waits until it is, unless ENOUGH others follow.
        """
        self._latest += changes
        ear.let_go(but=len(self._latest))
        if not changes:
            return []
        if self._trusted:
            if not self._taught and self._is_surely_none(ear, self._latest):
                self._look_anew(but=len(changes))
                return []
            return self._not_doubted(ear, changes)
        if log_odds_of_buzzer(ear.buzzer, self._latest, ear.told.manner()) < 0:
            return []
        self._trusted = len(self._latest) == ENOUGH
        untold = [change for change in self._latest if change.time_s > self._told_s]
        self._told_s = self._latest[-1].time_s
        return untold

    def _not_doubted(self, ear: Ear, changes: list[Change]) -> list[Change]:
        """Return what may be told by now; what is doubted to the last waits for the next change."""
        told: list[Change] = []
        for change, doubted in zip(changes, ear.told.doubted(len(changes)), strict=True):
            before, self._waiting = self._waiting, None
            if not doubted:
                told += [change] if before is None else [before, change]
            elif before is None:
                self._waiting = change
        return told

    def _waited_for(self, now_s: float) -> list[Change]:
        """Return the change that is kept back, if it has been for long enough."""
        change = self._waiting
        if change is None or now_s < change.time_s + WAITS_S:
            return []
        self._waiting = None
        return [change]

    def _is_surely_none(self, ear: Ear, latest: Sequence[Change]) -> bool:
        """Say whether what was learnt shows by its latest changes that it is no buzzer."""
        log_odds = log_odds_of_buzzer(ear.buzzer, latest, ear.told.manner())
        if ear.buzzer.pulse_s is not None:  # no voice beeps, though noise may break a train up
            self._had_been = max(self._had_been, log_odds - SURE_LOG_ODDS)
        return max(log_odds, self._had_been) < SURELY_NONE * ENOUGH / len(latest)

    def _look_anew(self, but: int) -> None:
        """Forget what was learnt, and look for the buzzer; the latest few changes are untold."""
        told = list(self._latest)[:-but]
        self._told_s = told[-1].time_s if told else self._told_s
        self._ear, self._trusted, self.learnt = None, False, None
        self._waiting = None
        self._strayed, self._gatherer = 0, BeepGatherer()
        self._find_s = self._lately.heard_s + FIRST_TRY_S

    def _follow(self, ear: Ear) -> None:
        self._follow_s = self._lately.heard_s + PIECE_S
        pieces, since_s = self._pieces, self._lately.blocks[-1].end_s - FOLLOWED * PIECE_S
        if pieces is not None:
            since_s = pieces.end_s
        latest = [block for block in self._lately.blocks if block.start_s > since_s - CELL_S / 2]
        if pieces is None:
            pieces = self._pieces = Pieces(latest, ear.buzzer)
        else:
            pieces.go_on(latest, FOLLOWED)
        if len(pieces.each) > 1:
            fresh = pieces.fresh(ear.buzzer)
            goes_on = self._goes_on(pieces, ear.buzzer, fresh)
            self._strayed = 0 if goes_on else self._strayed + 1
            ear.follow(fresh or ear.buzzer)

    @property
    def _is_astray(self) -> bool:
        """Whether the print no longer goes with what is heard."""
        return self._strayed >= ASTRAY

    def _goes_on(self, pieces: Pieces, known: BuzzerPrint, fresh: BuzzerPrint | None) -> bool:
        """Say whether a print, and a fresh one, still go with the latest pieces."""
        told = sum(change.time_s > pieces.start_s for change in self._latest)
        if told == ENOUGH:
            return True
        if fresh is None or (fresh is known and known.sounds_in_both()):
            return False
        return pieces.changes(fresh) <= told + MOST_UNTOLD


@dataclass(frozen=True, eq=False)
class _Tried:
    """What was heard of the latest sound with one print."""

    ear: Ear
    changes: list[Change]
    log_odds: float

    @property
    def worth(self) -> float:
        """How much was heard, and how surely."""
        return worth(self.log_odds, self.changes, self.ear.told.doubt)
