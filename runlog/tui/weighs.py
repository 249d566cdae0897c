"""Screens that say what keeping the frame in view does to the finished picture."""

from asyncio import sleep
from collections.abc import Sequence

from textual import work

from runlog.core.frame import Frame, Grade
from runlog.tui.main_screen import MainScreen

REST_S = 0.15  # a frame that is passed over quicker is not weighed
WEIGHING = "keep: being reckoned …"


class Weighs(MainScreen):
    """Weighs against the grades as they are stored, and is silent while these change."""

    def show_worth(self, words: str) -> None:
        """Show what keeping it does; "" takes back what is shown."""
        raise NotImplementedError

    def weigh(self, ids: Sequence[int]) -> None:
        """Show the worth of frames that are decided together, as soon as it is known."""
        known = self.session.worths.get(tuple(ids))
        if known is not None:
            self.unweigh(known)
        else:
            self.show_worth(WEIGHING)
            self._weigh(tuple(ids))

    def unweigh(self, words: str = "") -> None:
        """Take back what is shown: it is about other frames, or other grades."""
        self.workers.cancel_group(self, "worth")
        self.show_worth(words)

    @work(exclusive=True, group="worth")
    async def _weigh(self, ids: tuple[int, ...]) -> None:
        from runlog.actions.worth import worth_words

        await sleep(REST_S)
        worths = self.session.worths
        found = await self.ask_much(worth_words, self.session.settings, ids)
        if found is not None and worths is self.session.worths:  # no grade changed meanwhile
            worths[ids] = found
            self.show_worth(found)


def is_open(frame: Frame) -> bool:
    """Tell whether there is a question: it was not kept as a matter of course."""
    own = frame.judgement
    return own.grade is not Grade.KEEP or own.graded_by == "person"
