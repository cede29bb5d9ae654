"""A drive before which somebody presses brake and accelerator a number of times, for marks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from canscope.simulate.script import FORWARD, NEUTRAL, Action, Script, Spin, Story

BEFORE_S = 5.0  # ignition on, everything awake


@dataclass(frozen=True, kw_only=True)
class Pressed:
    """``presses`` of the brake and as many of the accelerator, one by one, then the ``story``.

    Each lasts 0.7 to 2 s, 3 to 6 s after the one before. In every second vehicle the units are
    live and turn with the accelerator; in the others all stands still.
    """

    story: Story  # whose stage it is
    presses: int
    seed: int

    def script(self) -> Script:
        """The actions; what follows is the story's own, later by as much."""
        rng = np.random.default_rng([self.seed, self.presses, 77])
        live = self.seed % 2 == 0
        acts: list[tuple[float, str, float]] = [(1.0, "ignition", 1.0)]
        spins = []
        at = BEFORE_S
        if live:
            acts += [(3.0, "brake", 1.0), (4.0, "power", 1.0), (9.0, "brake", 0.0)]
            at = 12.0
        for what in rng.permutation(["brake", "pedal"] * self.presses).tolist():
            over = at + float(rng.uniform(0.7, 2.0))
            if what == "brake":
                acts += [(at, "brake", 1.0), (over, "brake", 0.0)]
            else:
                acts += [(at, "pedal", float(rng.uniform(14, 24))), (over, "pedal", 0.0)]
                if live:
                    acts += [(at - 0.8, "direction", FORWARD), (over + 1.8, "direction", NEUTRAL)]
                    spins.append(Spin(at, over, FORWARD))
            at = over + float(rng.uniform(3.0, 6.0))
        if live:
            acts += [(at, "power", 0.0)]
            at += 12.0
        own = self.story.script()
        later = [replace(act, time_s=act.time_s + at) for act in own.actions]
        moved = [replace(s, start_s=s.start_s + at, end_s=s.end_s + at) for s in own.spins]
        return replace(
            own,
            actions=(*(Action(*act) for act in acts), *later),
            spins=(*spins, *moved),
            positive_first=(own.positive_first[0], *own.positive_first),
            end_s=own.end_s + at,
        )

    def marked(self, what: str) -> list[float]:
        """When the brake or the accelerator was pressed in the first part, in seconds."""
        script = self.script()
        begins = script.end_s - self.story.script().end_s
        times = sorted(a.time_s for a in script.actions if a.what == what and a.value > 0)
        return [at for at in times if at < begins and not (what == "brake" and at == 3.0)]
