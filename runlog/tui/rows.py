"""The rows of a list that is drawn only as far as it is in sight."""

from textual.message import Message
from textual.widgets import Static


class Rows(Static):
    """The rows in sight; how many those are is known once they have their place."""

    class Resized(Message):
        """There is room for more rows, or for fewer."""

        def can_replace(self, message: Message) -> bool:
            """Let the newest stand for all that wait."""
            return isinstance(message, Rows.Resized)

    def on_resize(self) -> None:
        """Have the room there is now filled."""
        self.post_message(self.Resized())
