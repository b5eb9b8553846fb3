"""Questions to the operator while the rig continues to watch the pot."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from drivers.ports import Clock
from rig.loop.loop import Loop, StopAsked
from rig.loop.stop import StopRequest
from rig.safety.scan import Scan
from rig.view import Move, PatientView, Prompt, View

Check = Callable[[str], str | None]
"""What is wrong with an answer, as one line for the operator, or None when it is accepted."""
TRIES = 3
_WITHDRAWN_WITHIN_S = 0.5
_LOOK_EVERY_S = 0.05


def clock_runs(clock: Clock) -> bool:
    """Whether a clock runs by itself; that of a bench in lockstep moves only when the rig waits."""
    before_s = clock.monotonic_s()
    time.sleep(0.002)
    return clock.monotonic_s() > before_s


class NoAnswer(Exception):
    """Nobody gave a usable answer; the message is one sentence."""


class Dialogue:
    """Asks one question at a time. Gauges are read and interlocks act meanwhile.

    Attributes:
        before_gas: no gas has been let in yet, so that any request to stop ends every question. Later only
            a request that comes during the question ends it: the end of a run has questions too.
    """

    def __init__(
        self,
        loop: Loop,
        view: View,
        stop: StopRequest,
        *,
        time_runs: bool,
        while_waiting: Callable[[], None] = lambda: None,
    ) -> None:
        """Ask through `view`.

        Args:
            loop: ticks while a question is open.
            view: where it is asked.
            stop: a request to stop ends every question.
            time_runs: whether the rig's clock runs by itself while somebody types. On a bench whose time the
                rig moves, time stands still during a question, unless the view keeps its own time.
            while_waiting: called again and again during a question for which time stands still.
        """
        self._while_waiting = while_waiting
        self._loop = loop
        self._view = view
        self._stop = stop
        self._time_runs = time_runs
        self._asked = 0
        self.before_gas = True

    def demand(self, prompt: Prompt, check: Check, watch: Callable[[Scan], None] | None = None) -> str:
        """Ask until an answer is accepted, three times at most.

        Raises:
            NoAnswer: nobody answered in time, or no answer was accepted.
            StopAsked: a stop was asked for.
            Tripped: by an interlock.
        """
        for _ in range(TRIES):
            asked_s = self._loop.now_s
            answer = self.ask(prompt, watch)
            if answer is None:
                in_time = f"within {prompt.timeout_s:.0f} s"
                if self._time_runs and self._loop.now_s - asked_s < prompt.timeout_s:
                    in_time = "and nobody can, since there is no keyboard here"
                raise NoAnswer(f"Nobody answered {in_time}: {prompt.whole_text}")
            problem = check(answer.strip()) if answer.strip() else "nothing was typed"
            if problem is None:
                return answer.strip()
            self._view.say(problem, "caution")
        raise NoAnswer(f"No usable answer after {TRIES} tries: {problem}")

    def confirm(
        self,
        code: str,
        text: str,
        word: str,
        *,
        timeout_s: float = 300.0,
        watch: Callable[[Scan], None] | None = None,
        move: Move | None = None,
        lid_off_s: float = 0.0,
        contradiction: Callable[[], str | None] = lambda: None,
    ) -> None:
        """Have `word` typed, once `move` has been made; Enter or 'yes' is not accepted.

        With `lid_off_s` the lid is off for so long before the answer. `contradiction` returns what speaks
        against the word now, as one line; it is asked for again then.

        Raises:
            NoAnswer, StopAsked, Tripped: as `demand`.
        """
        prompt = Prompt(code, f"{text} Type {word}.", (word,), timeout_s, move=move, lid_off_s=lid_off_s)
        self.demand(
            prompt, lambda answer: contradiction() if answer == word else f"'{answer}' is not {word}", watch
        )

    def ask(self, prompt: Prompt, watch: Callable[[Scan], None] | None = None) -> str | None:
        """Ask once; None when nobody answered in time.

        Raises:
            StopAsked, Tripped: as `demand`; the question is withdrawn.
        """
        self._asked = 0 if self.before_gas else self._stop.asked
        log = self._loop.log
        log.event("prompt", code=prompt.code, text=prompt.whole_text)
        try:
            answer = self._wait(prompt, watch)
        except BaseException:
            self._view.withdraw()
            log.event("answer", code=prompt.code, text=prompt.whole_text, answer=None)
            raise
        log.event("answer", code=prompt.code, text=prompt.whole_text, answer=answer)
        return answer

    def wait(self, seconds: float, watch: Callable[[Scan], None] | None = None) -> Scan:
        """Tick for so long in rig time and return the last scan.

        Raises:
            StopAsked, Tripped: as `demand`.
        """
        self._asked = 0 if self.before_gas else self._stop.asked
        until_s = self._loop.now_s + seconds
        scan = self._tick(watch)
        while scan.t_s < until_s:
            scan = self._tick(watch)
        return scan

    def _wait(self, prompt: Prompt, watch: Callable[[Scan], None] | None) -> str | None:
        view = self._view
        begun_s = self._loop.now_s
        if isinstance(view, PatientView):
            view.put(prompt, begun_s)
            while (scan := self._tick(watch)).t_s - begun_s < prompt.timeout_s:
                answer = view.take(scan.t_s)
                if answer is not None:
                    return answer
            view.withdraw()
            return None
        answers: list[str | None] = []
        asker = threading.Thread(target=lambda: answers.append(view.ask(prompt)), daemon=True)
        asker.start()
        try:
            while asker.is_alive() and self._loop.now_s - begun_s < prompt.timeout_s:
                if self._time_runs:
                    self._tick(watch)
                else:
                    asker.join(_LOOK_EVERY_S)
                    self._while_waiting()
                    self._obey_stop()
        finally:
            if asker.is_alive():
                # The keyboard has to be free again before anything else can be asked.
                view.withdraw()
                asker.join(_WITHDRAWN_WITHIN_S)
        return answers[0] if answers else None

    def _tick(self, watch: Callable[[Scan], None] | None) -> Scan:
        scan = self._loop.tick()
        self._obey_stop()
        if watch is not None:
            watch(scan)
        return scan

    def _obey_stop(self) -> None:
        if self._stop.asked > self._asked:
            raise StopAsked(self._stop.why)
