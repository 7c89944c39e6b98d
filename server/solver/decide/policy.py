"""Every number by which the choice of a step is tuned: `Policy`.

The comment beside each gives its meaning and unit and, in brackets, where it was tuned: A
tests/bench/alignment.py (machines as drawn), W tests/bench/workshop.py (cards, pulses and hands that are
off), - not tuned: a guess. The unit of error is tolerances²: offsets over their tolerances, squared, summed.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Policy:
    """The numbers; POLICY holds the ones in use."""

    # When a stage of the chain (mirror 1, leg 1-2, leg 2-3, nozzle, the bed) counts as finished.
    within: tuple[float, ...] = (0.8, 0.8, 0.8, 0.9, 0.97)  # probability of being within tolerance [A]
    surely: float = 0.985  # the bed's probability of being within 1.5 x tolerance [A]
    coarse: float = 0.12  # x overlap tolerance: readings that err by more are coarse, as by eye [W]
    coarse_within: tuple[float, ...] = (0.85, 0.85, 0.85, 0.85, 0.72)  # as within, for coarse readings [W]
    hung_within: float = 0.82  # the bed's, where cards hang off by more than coarse readings err [W]
    coarse_surely: float = 0.98  # as surely, for coarse readings [W]
    sampling: float = 0.05  # error of a probability from 256 machines: 2 sd of a binomial share of 0.8 [-]
    machines_done: int = 2048  # machines drawn to judge whether the bed is finished [-]
    machines_move: int = 96  # machines by which a move is chosen [-]

    # Minutes that a practised person needs (common practice, no source).
    pulse_min: float = 0.5  # firing one pulse [-]
    hang_min: float = 1.0  # hanging a card [-]
    walk_min: float = 0.3  # moving the head [-]
    lens_out_min: float = 4.0  # taking the lens out and putting it back [-]

    # A mark.
    catch: float = 0.35  # probability of a mark below which the beam is searched for [A]
    little: float = 0.15  # tolerances²: a mark that tells less comes after any move [A]
    nothing: float = 0.2  # tolerances²: a mark that tells less is not made in a stage as good as done [A]
    coarse_nothing: float = 0.01  # as nothing, for coarse readings or a stage that is not as good as done [A]
    as_good_as_done: float = 0.9  # probability, of being within tolerance or of not being, that is sure [A]
    proves: float = 1.25  # x a mark's weight, if its position is one of the five and still needs proof [A]
    no_risk: float = 0.05  # coarse readings: weight of an error that is surely within tolerance [A]
    least_risk: float = 1e-3  # probability of being beyond tolerance that counts as none [-]

    # A move.
    changed: float = 6.0  # a move goes first if its effect is more than this x what a mark tells along it [A]
    gain: float = 0.3  # share of the expected error that a set of moves must take away [A]
    least_gain: float = 0.1  # as gain, of a single move where no set will do [A]
    much: float = 0.15  # tolerances² below which only the probability of being within tolerance counts [A]
    spare: float = 0.15  # share of the error that each move of a set must remove to stay in it [A]
    lever_worth: float = 0.15  # share of the rest that a lever must remove, per effort, to be added [A]
    last_worth: float = 0.05  # as lever_worth, where nothing else helps [A]
    rest: float = 0.1  # tolerances² at which no further lever is added [A]
    most_levers: int = 6  # in one set [-]
    good: float = 0.6  # x tolerance: an error below it counts as zero [A]
    small: float = 0.05  # x tolerance that is not worth moving for [A]
    lens: float = 1.4  # x the lens's tolerance: the offset there is less certain, so it weighs less [A]
    effort: float = 0.04  # share of the error that a set must remove for each further turn of effort [A]
    effort_shift: float = 1.2  # effort of moving a part, in turns of a screw, where sets are compared [A]
    effort_tube: float = 2.0  # effort of the tube as a lever, in turns of a screw [A]
    effort_tube_end: float = 1.0  # effort of one end of the tube [A]
    effort_base: float = 2.0  # effort of a mirror with its base [A]
    per_turn: float = 1e-3  # tolerances² per turn²: large moves that do little are not worth it [A]
    per_mm: float = 3e-3  # tolerances² per mm² [A]
    most_turns: float = 2.0  # turns in one step [-]
    least_turns: float = 1 / 128  # a smaller turn is none [-]
    most_shift_mm: float = 25.0  # mm in one step [-]
    long_shift_mm: float = 3.0  # mm: a longer shift waits for two marks that agree [W]
    least_shift_mm: float = 0.3  # mm: a smaller shift is below a hand's own error [W]

    back: float = 0.4  # share of a shift taken back by the next, from which on the part is left alone [W]
    within_reach: float = 0.7  # x tolerance: a mirror goes along its normal if all else leaves more [W]
    normal_mm: float = 0.1  # mm along its normal: for less, it is not moved by its three screws [W]

    # Where no mark tells much and no move surely helps.
    chance: float = 0.15  # probability of finishing the stage below which a move is not tried [A]
    better: float = 0.1  # gain in that probability for which a move is tried [A]
    hardly: float = 0.75  # probability of being within tolerance below which try_again is enough [A]
    try_again: float = 0.2  # probability of finishing the stage [A]
    enough: float = 0.9  # probability of being within tolerance from which on nothing is tried [A]
    even: float = 0.5  # probability of being within tolerance needed to go on to the next stage [A]
    marks_again: int = 4  # marks since the last move after which it is given up, if no move is left [-]
    coarse_try: float = 0.8  # coarse readings: probability of being within below which a try is made [A]
    coarse_far: float = 0.2  # coarse readings: probability of being within below which any move is made [W]
    coarse_better: float = 0.2  # coarse readings: gain in that probability that other moves need [W]
    coarse_closer: float = 0.95  # x the worst number, below which a try must bring it [A]

    # Proof.
    stale: float = 0.6  # x overlap tolerance: hand errors that may exceed it void a proof [A]
    fresh: float = 0.5  # x tolerance: a station where moves shifted the beam by more is marked again [A]
    alike: float = 1.0  # x overlap tolerance: if all five marks moved alike by more, one is made again [A]

    # Faults that no screw cures.
    blamed: float = 0.9  # probability of a fault from which on it is inspected [A]
    suspect: float = 0.12  # probability of any fault from which on marks are made to confirm it [A]
    certain: float = 0.93  # probability of a fault from which on it is inspected without such a mark [A]
    late_suspect: float = 0.0042  # probability that one more mark shows a fault, for which it is made [A]
    probable: float = 0.5  # probability of a mark below which a place tells nothing of a fault [A]
    telling: float = 0.25  # share of the doubt that a mark must settle [A]
    exchanged: float = 0.9999  # probability of left and right exchanged from which on it is said [W]
    exchanged_events: int = 40  # events after which it is not looked for any more [-]
    negligible: float = 1e-3  # probability below which an explanation is not looked into [-]
    out_of_reach: float = 1.5  # x tolerance: if all levers together leave more, it is given up [W]
    asked_again: int = 2  # inspections that found nothing, after which a cause is not asked for again [-]
    harm: float = 0.4  # x overlap tolerance: a fault that moves marks by less does not matter [A]
    lost_again: int = 10  # blanks in a row after which the beam is looked for where it was last seen [-]
    blanks_again: int = 2  # blanks where a mark was, nothing moved, before the mount is inspected [W]

    # Search for a beam that left no mark.
    draws: tuple[int, ...] = (1024, 4096, 4096, 4096, 4096)  # machines drawn per round until enough agree [-]
    agreeing: int = 100  # machines that agree with all blanks: this many are enough [-]
    agreeing_least: int = 8  # fewer are as good as none [-]
    agreeing_most: int = 256  # at most this many of them are used [-]
    search_gain: float = 0.08  # gain in the probability of a mark for which a move is made [A]
    search_gain_blank: float = 0.02  # as search_gain, after a blank [A]
    sign_least: int = 4  # machines that must have a sign for it to be believed [-]


POLICY = Policy()
