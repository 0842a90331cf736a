"""The ear: sound in blocks of any size in, changes of the buzzer out.

The model
---------
The buzzer is in one of two states. Each frame of about 21 ms weighs the evidence for either
(:mod:`.buzzer`). The states follow each other as a Markov chain (:mod:`.chain`); its posterior log
odds are carried from frame to frame by Bayes' rule. Where they change sign and stay changed for
LOOK_AHEAD_S, the buzzer has changed state, give or take a few frames. What rings beside its pitch
is taken out before (:mod:`.ring`), and the level of one that sounds in both states may be followed
as it slowly goes up and down (:mod:`.sway`).

Then the stretch around is heard again, a millisecond at a time (:mod:`.stretch`): a contact that
chatters makes and breaks before it settles, and the change is at the first break of that run.
:mod:`.moment` finds the first sign of it in a matched filter's output, whatever the buzzer's
attack. :mod:`.firstbreak` judges both against all that the sound shows there, and tells when the
contact moved last. Where no change is found, the ear doubts: it looks again, and lets go what goes
back meanwhile, as noise does. Two pitches close to each other cannot be told apart in a
millisecond: where the frames stay sure of a change that its energy does not show, or shows long
before, as of a blow, it is looked for where they turned. A contact that chatters may stay in its
old state for so long that the frames show it; what comes back within COMES_AGAIN_S had not ended.

What was told is kept (:mod:`.told`): all changes together tell each of them better, whether two of
them were something else, and whether it is a buzzer at all. Live, they have been told by then.

Sound that was lost tells nothing, and is left out of what is looked at closely (:mod:`.splice`).
After a longer loss nobody knows the state.

A pulsed buzzer's last beep may be cut too short for frames, and its first broken up by chatter;
:mod:`.shortbeep` looks where they are due.

Sources
-------
L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech
recognition", Proc. IEEE 77 (1989) 257. M. Basseville, I. V. Nikiforov, *Detection of Abrupt
Changes* (1993), chapters 2 and 8. A. N. Shiryaev, "On optimum methods in quickest detection
problems", Theory Prob. Appl. 8 (1963) 22.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from analysis.change import Change, Kind, Points, Sounding
from analysis.ear.buzzer import BuzzerPrint, as_steps, evidence_of
from analysis.ear.chain import share, stay
from analysis.ear.firstbreak import BreakOdds, first_break
from analysis.ear.firstsign import STEP_S
from analysis.ear.frameodds import FrameOdds
from analysis.ear.growl import Repetition, growl_in
from analysis.ear.latest import BLANK_S, LatestSound
from analysis.ear.moment import Moment, just_about
from analysis.ear.ring import TELLS_AFTER_S, Rings
from analysis.ear.shortbeep import UNCERTAINTY_S, Beeps, Due, broken_up, cut_short
from analysis.ear.sincechange import MARGIN_S, Frames, SinceChange
from analysis.ear.spectrum import FLOOR, Columns, FrameGrid, Levels, Powers
from analysis.ear.splice import SEAM_S, Spliced
from analysis.ear.stretch import Stretch
from analysis.ear.sway import CERTAIN, TOGETHER, Sway
from analysis.ear.tell import Tell
from analysis.ear.told import DOUBTED, ToldChange, ToldChanges, when
from analysis.sound import Block, finite

Array = npt.NDArray[np.float64]

BELIEVED_LOG_ODDS = 2.0
"""Log odds of a state from which a first state, or a change, is believed."""
SHORTEST_S = 0.043
"""A state that frames show for less is no state: cam lobes take 60 ms and more."""
SHORTEST_SHARE = 0.6
"""The same of a beep or gap, in parts of it."""
LOOK_BACK_S = 0.35
"""How much of the sound before a turn is looked at: chatter, and a steady stretch before it."""
LOOK_AHEAD_S = 0.026
"""How long after a turn it is looked at."""
HEARD_AHEAD_S = 0.034
"""How much of the sound after a turn is looked at: less than the shortest real opening."""
STEADY_S = 0.030
"""How long the new sound must have lasted at the end of what is looked at."""
LOOK_AGAIN_S = 0.011
"""After how long a change that has not settled yet is looked at again."""
DOUBTED_FOR_S, MOST_DOUBTS = 0.040, 4
"""After how long it is looked at again, and how often, before it is believed after all."""
UNSHOWN = (0.1, 0.3), (0.3, DOUBTED)
"""For how long frames are sure of a change that its energy does not show, before it is looked for
where they turned, and the odds of none from which it is let go; once and again."""
UNSHOWN_LEAST_S = 0.05
"""The same where they turn back."""
UNSHOWN_AHEAD_S = 0.074
"""How much of the sound after it that looks at."""
LEAST_BEFORE_S = 0.030
"""How much of the sound before it that asks for."""
LONG_BEFORE_S = 0.045
"""What energy shows so long before the frames turned may have been a blow: the less doubted of
that and of where they turned is the change."""
SHORT_GAP_S = 0.045
"""A beep that begins so soon after the last has too little silence before it to be looked at."""
LEAST_STATE_S, COMES_AGAIN_S = 0.070, 0.112
"""A state that ends sooner than this and comes again within that of its first sign, as the frames
show it, which lag, has not ended: the contact chatters."""
CUT_SHORT_S = 0.045
"""How long after the shortest state a beep that is due is looked for."""
ODDS_KEPT_S = 300.0
"""For how long what the frames said is kept, live: longer than the trains of a beeper last."""
CHATTERS_FOR_S, MADE_AGAIN_S = 0.11, 0.004
"""For how long after a change it is heard whether the contact makes again, and the least of it."""
SURELY = 0.9
"""Odds of a later move from which one that comes to rest late has chattered: rooms ring on, too."""
UNMOVED_S = 0.02
"""Where frames turn so long after sound was lost, the points had not moved in it."""
BRIDGED_S = 0.5
"""Lost sound of up to so long is bridged by zeros; after more the state is asked anew."""
KEPT_S = 1.5
"""How much of the latest sound is kept: more than LOOK_BACK_S."""


@dataclass
class _Turn:
    """The chain has changed sign, and the change waits to be looked at.

    Attributes
    ----------
    frame : int
        About which it is looked at; later from look to look.
    state : int
        The new state.
    since : int
        The frame at which the sign changed.
    doubts : int
        How often it was doubted.
    unshown : bool
        Whether its energy did not show it at the last look.
    by_frames : int
        How often it was looked for where the frames turned.
    """

    frame: int
    state: int
    since: int
    doubts: int = 0
    unshown: bool = False
    by_frames: int = 0


@dataclass(frozen=True, eq=False)
class _Found:
    """What was found in a stretch; times in seconds after its first sample."""

    moment: Moment
    odds: BreakOdds
    breaks: list[float]
    time_s: float
    uncertainty_s: float
    repeats: Repetition | None


class Ear:
    """Hear the changes of one known buzzer.

    Parameters
    ----------
    rate_hz : float
        Samples per second of every block.
    buzzer : BuzzerPrint
        The buzzer; :meth:`follow` replaces it by a fresher print of the same.
    sounding : {"open", "closed", "both"} or None
        When the buzzer sounds, if told.
    sways : bool
        Whether the level of one that sounds in both states is followed as it goes up and down.
    """

    def __init__(
        self,
        rate_hz: float,
        buzzer: BuzzerPrint,
        sounding: Sounding | None = None,
        sways: bool = False,
    ):
        self.grid = FrameGrid.at_rate(rate_hz)
        self.sounding = sounding
        self.sways = sways
        self.state: int | None = None
        self._latest = LatestSound(rate_hz, 0, has_noise=True)
        self._frame = 0
        self._log_odds, self._most_carried = 0.0, stay(self.grid.hop_s)
        self._turn: _Turn | None = None
        self._last_settled_s = self._changed_s = self._entered_s = -np.inf
        self._beeps = Beeps()
        self._due: Due | None = None
        self._unsettled: tuple[float, float] | None = None
        self._settles = True
        self._lost_for = 0  # frames
        self._since_change = SinceChange()
        self._frame_odds = FrameOdds(self.grid)
        self._rings = Rings(self.grid)
        self.told = ToldChanges()
        self._print_number = 0
        self._listen_for(buzzer)

    def follow(self, buzzer: BuzzerPrint) -> None:
        """Go on with a fresher print of the same buzzer."""
        if buzzer is not self.buzzer:
            self._print_number += 1
            self._listen_for(buzzer)

    def _listen_for(self, buzzer: BuzzerPrint) -> None:
        self.buzzer = buzzer
        columns = buzzer.columns_in(self.grid)
        self._columns = Columns(self.grid, columns)
        self._louder = Columns(self.grid, columns[buzzer.louder_columns()])
        self._sway = self._sway_of(buzzer)
        self._tell = Tell.of(buzzer, self.grid, self.sounding)
        self._rings.listen_for(buzzer)
        # Else its silence is digital, and zeros tell of it.
        self._latest.has_noise = bool(buzzer.spectrum.mean(axis=1).min() > 10 * FLOOR)
        self._shortest_s = SHORTEST_S
        if buzzer.pulse_s is not None:
            self._shortest_s = min(SHORTEST_S, SHORTEST_SHARE * min(buzzer.pulse_s))

    def _sway_of(self, buzzer: BuzzerPrint) -> Sway | None:
        """Return how the level sways, if it is followed, as it was lately."""
        if not self.sways or not buzzer.sounds_in_both():
            return None
        usual = buzzer.spectrum_at(self.grid.bins_hz)
        sway = Sway(self._columns.levels(usual.astype(np.float32)))
        latest = self._since_change.latest_powers()
        if latest is not None and self.state is not None and abs(self._log_odds) > CERTAIN:
            sway.begin_at(self._columns.levels(latest[-TOGETHER:]), self.state)
        return sway

    @property
    def busy(self) -> bool:
        """Whether a change is under way."""
        return self._turn is not None

    @property
    def _origin_s(self) -> float:
        """When the sound that is kept begins, in s."""
        return self._latest.origin_s

    @property
    def points(self) -> Points | None:
        """How the points stand, as far as is known."""
        return None if self.state is None else self._points(self.state)

    def hear(self, block: Block) -> list[Change]:
        """Take a block and return the changes it settles."""
        return [one for piece in block.pieces(TELLS_AFTER_S) for one in self._hear(piece)]

    def _hear(self, block: Block) -> list[Change]:
        first = round(block.start_s * self.grid.rate_hz)
        changes: list[Change] = []
        if len(self._latest.samples) == 0 and self._frame == 0:
            self._restart(first)
        lost = first - self._latest.end
        if 0 < lost <= BRIDGED_S * self.grid.rate_hz:
            self._latest.bridge(lost)
        elif lost:
            changes += self.finish()
            self._restart(first)
        self._latest.append(finite(block.samples))
        changes += self._listen()
        self._forget()
        return changes

    def finish(self) -> list[Change]:
        """Return the change that the end of the sound leaves unsettled, if any."""
        if self._turn is None:
            return []
        return self._look(self._turn, at_end=True)

    def let_go(self, but: int = 0) -> None:
        """Keep of the changes so many, not to reconsider, and of the frames' odds the latest."""
        self._settles = False
        self.told.keep(but)
        self._frame_odds.keep(ODDS_KEPT_S)

    def sounds(self, begin_s: float, end_s: float) -> float:
        """Return the log odds that the buzzer sounds all the time between two moments, in s.

        They are of what the frames show; 0 where there are none, or both states sound.
        """
        if self.buzzer.silent is None:
            return 0.0
        odds = self._frame_odds.between(begin_s, end_s)
        return odds if self.buzzer.silent == 0 else -odds

    def _restart(self, first: int) -> None:
        self._latest = LatestSound(self.grid.rate_hz, first, self._latest.has_noise)
        self._frame = 0
        self._frame_odds.begin(self._origin_s + self.grid.middle_s(0))
        self._rings.restart()
        self.state, self._log_odds, self._turn = None, 0.0, None
        self._last_settled_s = self._origin_s
        self._due = self._unsettled = None
        self._since_change = SinceChange()

    def _listen(self) -> list[Change]:
        grid, changes = self.grid, []
        offset = self._frame * grid.hop
        powers = self._rings.clear(self._latest.samples, self._latest.start, self._frame)
        if len(powers) == 0:
            return []
        levels = self._columns.levels(powers)
        lost = self._lost(offset, len(powers))
        begin = 0
        while begin < len(powers):
            end = len(powers) if self._sway is None else begin + self._sway.left
            part = slice(begin, end)
            changes += self._go_through(powers[part], levels[part], lost[part])
            begin = end
        return changes

    def _go_through(
        self, powers: Powers, levels: Levels, lost: npt.NDArray[np.bool_]
    ) -> list[Change]:
        """Weigh the next frames, and go on from state to state as they tell."""
        grid, sway = self.grid, self._sway
        steady = levels if sway is None else sway.steadied(levels)
        evidence = evidence_of(self.buzzer.evidence, as_steps(steady))
        if lost.any():
            evidence[lost] = 0.0
        weights = share(grid.hop_s) * evidence.sum(axis=1)
        self._frame_odds.append(weights)
        at_s = self._origin_s + grid.middle_s(self._frame) + grid.hop_s * np.arange(len(powers))
        if not lost.all():
            heard = ~lost if lost.any() else slice(None)
            number = self._print_number
            self._since_change.hear(
                Frames(at_s[heard], evidence[heard], powers[heard], self._louder, number)
            )
        changes: list[Change] = []
        odds = []
        for weight, is_lost in zip(weights.tolist(), lost.tolist(), strict=True):
            changes += self._step(weight, is_lost)
            odds.append(self._log_odds)
        if sway is not None:
            sway.hear(levels, np.where(lost, 0.0, odds))
        return changes

    def _step(self, weight: float, is_lost: bool) -> list[Change]:
        """Take the log odds of the next frame by itself."""
        self._lost_for = self._lost_for + 1 if is_lost else 0
        if self._lost_for * self.grid.hop_s > BRIDGED_S:
            self.state = self._turn = None
            self._log_odds = 0.0
        most = self._most_carried
        odds = self._log_odds = min(most, max(-most, self._log_odds)) + weight
        waits = (self._turn or self._due or self._unsettled) is not None
        if (odds > 0) == self.state and not waits:
            self._frame += 1
            return []
        changes: list[Change] = []
        if self.state is None:
            if abs(odds) > BELIEVED_LOG_ODDS:
                self.state = int(odds > 0)
        elif self._turn is None and (odds > 0) != bool(self.state):
            self._turn = _Turn(self._frame, 1 - self.state, self._frame)
        elif self._turn is not None and (odds > 0) == bool(self.state):
            if self._may_chatter(self._turn):
                self._came_again()
            elif self._turn.unshown or self._waited_s(self._turn) >= self._shortest_s:
                changes += self._look(self._turn, at_end=True)
                self._turn = _Turn(self._frame, 1 - self.state, self._frame)
            else:
                self._turn = None
        self._frame += 1
        if self._turn is not None and self._waited_s(self._turn) >= LOOK_AHEAD_S:
            changes += self._look(self._turn, at_end=False)
        if self._due is not None and self._turn is None:
            changes += self._last_beep(self._due)
        if self._unsettled is not None and self._turn is None:
            self._settle(*self._unsettled)
        return changes

    def _settle(self, begin_s: float, change_s: float) -> None:
        """Hear whether the contact made and broke again after a change, to be told in the end."""
        state, end_s = self.state, change_s + CHATTERS_FOR_S + HEARD_AHEAD_S
        if self._origin_s + self.grid.middle_s(self._frame) < end_s:
            return
        self._unsettled = None
        kept = self.told.kept
        is_kept = kept and kept[-1].state == state and begin_s >= self._origin_s
        if state is None or not is_kept:
            return
        begins, ends = begin_s - self._origin_s, end_s - self._origin_s
        spliced, stretch = self._stretch_of(state, begins, ends, change_s - begin_s)
        if stretch.flips is None:
            return
        by_rest = stretch.goes_by_rest()
        if not by_rest and stretch.run[-1] < stretch.guess_s + MADE_AGAIN_S:
            return
        odds = self._found(state, stretch, spliced, stretch.guess_s).odds
        if odds.none < DOUBTED and (not by_rest or odds.moves_after(stretch.guess_s) > SURELY):
            self.told.last_came_again(spliced.when(odds.settled_s(stretch.guess_s))[0])

    def _lost(self, offset: int, count: int) -> npt.NDArray[np.bool_]:
        """Return in which of the frames since a sample sound was lost."""
        grid, lost = self.grid, np.zeros(count, dtype=bool)
        first, last = max(0, offset - grid.length), len(self._latest.samples)
        for a, b in self._latest.lost(first, last):
            begin = offset + np.arange(count) * grid.hop
            within = np.minimum(begin + grid.length, b) - np.maximum(begin, a)
            lost |= within >= round(BLANK_S * grid.rate_hz)
        return lost

    def _last_beep(self, due: Due) -> list[Change]:
        """Return the changes of a last beep that was cut too short for the frames to show."""
        rate, silent = self.grid.rate_hz, self.buzzer.silent
        origin_s = self._origin_s
        end_s = due.start_s + min(due.beep_s, SHORTEST_S) + CUT_SHORT_S
        if silent is None or self.grid.middle_s(self._frame) + origin_s < end_s:
            return []
        self._due = None
        first_s = due.last_s[0]
        if first_s < origin_s:
            return []
        first, last = (round((t - origin_s) * rate) for t in (first_s, end_s))
        x = self._latest.part(first, last)
        here = due.after(first_s)
        heard = cut_short(Stretch(x, rate, self._tell, silent, here.start_s), here)
        if heard is None:
            return []
        changes = self._short_beep(silent, first_s + heard[0], first_s + heard[1])
        self._last_settled_s = changes[-1].settled_s
        self._since_change.begin(np.inf)
        return changes

    def _beep_before(self, state: int, time_s: float) -> list[Change]:
        """Return the changes of a beep before the first of a train, in which the points chattered
        too much for the frames to show.
        """
        rate, silent = self.grid.rate_hz, self.buzzer.silent
        if silent is None or state == silent:
            return []
        origin_s = self._origin_s
        due = self._beeps.before(time_s, origin_s + self._latest.length_s)
        if due is None:
            return []
        last_s = time_s + due.last_s[1]
        first_s = last_s - due.start_s - due.beep_s - MARGIN_S
        if first_s < max(origin_s, self._last_settled_s):
            return []
        first, last = (round((t - origin_s) * rate) for t in (first_s, last_s))
        x = self._latest.part(first, last)[::-1]
        heard = broken_up(Stretch(x, rate, self._tell, silent, due.start_s), due)
        if heard is None:
            return []
        unheard_s = max(0.0, due.start_s + due.beep_s - heard[1])  # it may have begun in that
        uncertainty_s = math.hypot(UNCERTAINTY_S, unheard_s / math.sqrt(3.0))
        return self._short_beep(silent, last_s - heard[1], last_s - heard[0], uncertainty_s)

    def _short_beep(
        self, silent: int, start_s: float, stop_s: float, start_uncertainty_s: float = UNCERTAINTY_S
    ) -> list[Change]:
        """Return and keep the changes of a beep that was not told by a closer look."""
        return [
            self._roughly(1 - silent, start_s, start_uncertainty_s),
            self._roughly(silent, stop_s),
        ]

    def _roughly(self, state: int, time_s: float, spread_s: float = UNCERTAINTY_S) -> Change:
        """Return and keep a change that was not told by a closer look."""
        moment = just_about(0.0, spread_s)
        self.told.append(ToldChange(state, self._is_sound(state), Spliced(time_s), moment, None))
        told_s, uncertainty_s = when(moment, self.told.shape_log_odds[state], chattered=False)
        return self._change(state, time_s + told_s, time_s + told_s, uncertainty_s)

    def _keep_beat(self, change: Change) -> None:
        """Count the beeps, and wait for the next."""
        self._due = None
        if change.change == "starts":
            self._beeps.starts(change.time_s)
        elif change.change == "stops":
            self._due = self._beeps.stops(change.time_s)

    def _change(self, state: int, time_s: float, settled_s: float, uncertainty_s: float) -> Change:
        return Change(
            time_s=time_s,
            settled_s=settled_s,
            uncertainty_s=uncertainty_s,
            change=self._kind(state),
            points=self._points(state),
            margin_db=self.buzzer.margin_db,
        )

    def _leaning(self, state: int) -> float:
        """Return the log odds of a state, after the last frame."""
        return self._log_odds if state else -self._log_odds

    def _waited_s(self, turn: _Turn) -> float:
        return (self._frame - turn.frame) * self.grid.hop_s

    def _forget(self) -> None:
        """Keep KEPT_S of sound, cut at a whole frame."""
        spare = self._frame - int(KEPT_S / self.grid.hop_s)
        if spare > 200:
            self._latest.drop(spare * self.grid.hop)
            self._frame -= spare
            if self._turn is not None:
                self._turn.frame -= spare
                self._turn.since -= spare

    def _look(self, turn: _Turn, at_end: bool) -> list[Change]:
        """Look closely at the change that waits."""
        if not at_end and self._leaning(turn.state) < BELIEVED_LOG_ODDS:
            self._turn = replace(turn, frame=turn.frame + 1)
            return []
        if self._may_chatter(turn):
            self._turn = None if at_end else replace(turn, frame=turn.frame + 1)
            return []
        spliced, stretch = self._stretch(turn.frame, turn.state, HEARD_AHEAD_S)
        self._turn = None
        if stretch.flips is None:
            turned_s = self._origin_s + self.grid.middle_s(turn.frame)
            if self._is_beep(turn.state) and turned_s - self._last_settled_s < SHORT_GAP_S:
                return self._after_short_gap(turn.state, turned_s)
            return self._look_by_frames(turn, at_end)
        turn = replace(turn, unshown=False)
        if stretch.end_s - stretch.flips[-1] < STEADY_S and not at_end:
            self._turn = replace(turn, frame=self._again_in(LOOK_AGAIN_S))
            return []
        found = self._least_doubted(turn, spliced, stretch)
        if found.odds.none > DOUBTED and (at_end or turn.doubts < MOST_DOUBTS):
            if not at_end:
                again = self._again_in(DOUBTED_FOR_S)
                self._turn = replace(turn, frame=again, doubts=turn.doubts + 1)
            return []
        settled_s = found.odds.settled_s(found.time_s)
        if stretch.end_s - settled_s < STEADY_S and not at_end:
            self._turn = replace(turn, frame=self._again_in(LOOK_AGAIN_S))
            return []
        return self._go_over(turn.state, spliced, found, settled_s)

    def _least_doubted(self, turn: _Turn, spliced: Spliced, stretch: Stretch) -> _Found:
        """Find the moment of a change where its energy shows it, or where the frames turned if that
        is long after and less doubted.
        """
        turned_s = self._turned_s(turn, spliced)
        found = self._found(turn.state, stretch, spliced, turned_s)
        if turned_s - stretch.run[-1] <= LONG_BEFORE_S:
            return found
        there = Stretch(stretch.x, stretch.rate_hz, stretch.tell, stretch.before, turned_s)
        there.go_by_frames()
        by_frames = self._found(turn.state, there, spliced, turned_s)
        return min(found, by_frames, key=lambda one: one.odds.none)

    def _may_chatter(self, turn: _Turn) -> bool:
        """Say whether a turn came so soon after the last change that it may be of its chatter."""
        since_s, now_s = (self._origin_s + self.grid.middle_s(f) for f in (turn.since, self._frame))
        return (
            self.buzzer.pulse_s is None
            and since_s - self._entered_s < LEAST_STATE_S
            and now_s - self._changed_s < COMES_AGAIN_S
        )

    def _came_again(self) -> None:
        """Go on with a state that had seemed to end."""
        self._turn = None
        self._entered_s = self._origin_s + self.grid.middle_s(self._frame)
        self.told.last_came_again(self._entered_s)

    def _after_short_gap(self, state: int, time_s: float) -> list[Change]:
        """Return the start of a beep soon after another, by the frames alone."""
        self.state = state
        change = self._roughly(state, time_s)
        self._since_change.begin(time_s)
        self._last_settled_s = time_s
        self._keep_beat(change)
        return [change]

    def _look_by_frames(self, turn: _Turn, at_end: bool) -> list[Change]:
        """Look at a change that its energy does not show where the frames turned."""
        if not at_end:
            self._turn = replace(turn, frame=self._frame, doubts=0, unshown=True)
        if turn.by_frames == len(UNSHOWN):
            return []
        after_s, most_doubt = UNSHOWN[turn.by_frames]
        if (self._frame - turn.since) * self.grid.hop_s < (UNSHOWN_LEAST_S if at_end else after_s):
            return []
        if self._turn is not None:
            self._turn.by_frames += 1
        spliced, stretch = self._stretch(turn.since, turn.state, UNSHOWN_AHEAD_S)
        if stretch.guess_s < LEAST_BEFORE_S or stretch.end_s < stretch.guess_s + LEAST_BEFORE_S:
            return []
        stretch.go_by_frames()
        found = self._found(turn.state, stretch, spliced, self._turned_s(turn, spliced))
        if found.odds.none > most_doubt:
            return []
        self._turn = None
        return self._go_over(turn.state, spliced, found, found.time_s)

    def _stretch(self, frame: int, state: int, ahead_s: float) -> tuple[Spliced, Stretch]:
        """Return the sound about a frame in which a state began, without what was lost."""
        turn_s = self.grid.middle_s(frame)
        here_s = min(self._latest.length_s, turn_s + ahead_s)
        first_s = self._first_s(turn_s)
        return self._stretch_of(state, first_s, here_s, turn_s - first_s)

    def _stretch_of(
        self, state: int, begin_s: float, end_s: float, guess_s: float
    ) -> tuple[Spliced, Stretch]:
        """Return a part of the latest sound in which a state began, without what was lost.

        It began so long after its first sample, about.
        """
        x, spliced = self._latest.spliced(begin_s, end_s)
        rate = self.grid.rate_hz
        return spliced, Stretch(x, rate, self._tell, 1 - state, spliced.place_s(guess_s))

    def _first_s(self, turn_s: float) -> float:
        """Return from when on the sound before a turn is looked at, in s of what is kept.

        It is a whole step of time, so that frames that turn sooner or later fall on the same steps.
        """
        rate = self.grid.rate_hz
        back, here = (max(0, round(t * rate)) for t in (turn_s - LOOK_BACK_S - BRIDGED_S, turn_s))
        lost = [(a, b) for a, b in self._latest.lost(back, here) if b > here - LOOK_BACK_S * rate]
        first_s = turn_s - LOOK_BACK_S - sum(b - a for a, b in lost) / rate
        since_s = max(self._last_settled_s, self._origin_s + first_s)
        return max(0.0, math.ceil(since_s / STEP_S) * STEP_S - self._origin_s)

    def _turned_s(self, turn: _Turn, spliced: Spliced) -> float:
        """Return where in a spliced sound the frames turned."""
        turned_s = self._origin_s + self.grid.middle_s(turn.since)
        return spliced.place_s(turned_s - spliced.begin_s)

    def _found(self, state: int, stretch: Stretch, spliced: Spliced, turned_s: float) -> _Found:
        """Find the moment of the change to a state in the sound in which the frames turned."""
        others = self.told.shape_log_odds[state]
        moment, breaks = stretch.first_break(others)
        said = when(moment, others, chattered=len(breaks) > 1)
        growl = growl_in(stretch) if self.buzzer.pulse_s is None else None
        odds = first_break(stretch, *said, growl)
        for seam_s, _ in spliced.seams:
            if turned_s > seam_s + UNMOVED_S:  # what shows there is the seam itself
                odds = odds.but_at(seam_s, SEAM_S)
        if odds.none > DOUBTED and self._is_gap(state):
            odds = replace(odds, none=0.0)  # it had to come
        told = odds.where_chatter_is(self.told.rarity_of_chatter).with_opinion(said[0])
        return _Found(moment, odds, breaks, *told, None if growl is None else growl.repeats)

    def _go_over(
        self, state: int, spliced: Spliced, found: _Found, settled_s: float
    ) -> list[Change]:
        """Go over to a state; return the change, and the beep before it if there was one."""
        self.told.learn(state, found.moment, found.odds)
        self.state = state
        begins_s, lost_s = spliced.when(found.time_s, found.uncertainty_s)
        ends_s = max(begins_s, spliced.when(settled_s)[0])
        self._end_state(1 - state, begins_s)
        before = self._beep_before(state, begins_s)
        sounds = self._is_sound(state)
        self.told.append(
            ToldChange(state, sounds, spliced, found.moment, found.odds, found.repeats)
        )
        self._since_change.begin(ends_s)
        uncertainty_s = math.hypot(found.uncertainty_s, lost_s)
        change = self._change(state, begins_s, ends_s, uncertainty_s)
        self._keep_beat(change)
        self._last_settled_s = spliced.when(found.breaks[-1])[0]
        self._changed_s = self._entered_s = begins_s
        if self._settles and self.buzzer.pulse_s is None:
            self._unsettled = spliced.begin_s, begins_s
        return [*before, change]

    def _end_state(self, state: int, until_s: float) -> None:
        """Keep with the last change what was heard since, in a state that is over."""
        sound = self._since_change.sound(until_s) if self._is_sound(state) else None
        if sound is not None and sound.tone_hz:
            here = self._latest.start + self._frame * self.grid.hop
            self._rings.heard_at(sound.tone_hz, here)
        self.told.last_was(self._since_change.like(state, until_s), sound)

    def _is_sound(self, state: int) -> bool:
        """Say whether the buzzer sounds in a state and is silent in the other."""
        return self.buzzer.silent is not None and state != self.buzzer.silent

    def _is_beep(self, state: int) -> bool:
        """Say whether a state is a beep."""
        return self.buzzer.pulse_s is not None and state != self.buzzer.silent

    def _is_gap(self, state: int) -> bool:
        """Say whether a state is what comes between two beeps."""
        return self.buzzer.pulse_s is not None and state == self.buzzer.silent

    def _again_in(self, seconds: float) -> int:
        """Return the frame of a turn that is to be looked at after some more sound."""
        return self._frame - int((LOOK_AHEAD_S - seconds) / self.grid.hop_s)

    def _kind(self, state: int) -> Kind:
        if self.sounding == "both" or self.buzzer.silent is None:
            return "shifts"
        return "stops" if state == self.buzzer.silent else "starts"

    def _points(self, state: int) -> Points | None:
        if self.buzzer.open_state is not None:
            return "open" if state == self.buzzer.open_state else "closed"
        if self.sounding in (None, "both") or self.buzzer.silent is None:
            return None
        sounds = state != self.buzzer.silent
        return "open" if sounds == (self.sounding == "open") else "closed"
