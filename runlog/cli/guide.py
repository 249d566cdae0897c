"""runlog guide: longer explanations, shipped as Markdown in the package."""

from importlib.resources import files

import click

from runlog.cli.common import group_session, table_width, talk

# In the order a newcomer reads them.
TOPICS = {
    "start": "the first morning",
    "choosing": "choosing frames and nights",
    "marks": "your own grades",
    "grades": "how frames are graded",
    "hours": "hours, effective time, goals and what is to go",
    "plans": "tonight, and the weeks ahead",
    "watch": "watching while the night runs: warnings, a hook, a service",
    "rig": "focus, polar axis, trends over months",
    "lists": "JSON, CSV and their schemas",
    "club": "one database for several machines",
    "cluster": "measuring on several machines",
    "completion": "completion in the shell",
}
WIDEST = 100  # cells a line of text may have and still be read


def _topics(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    return [topic for topic in TOPICS if topic.startswith(incomplete)]


def text_of(topic: str) -> str:
    """Read a topic as it lies in the package."""
    return (files("runlog") / "guide" / f"{topic}.md").read_text(encoding="utf-8")


@click.command("guide")
@click.argument("topic", required=False, shell_complete=_topics)
@group_session
def command(topic: str | None) -> int:
    """Read about TOPIC at more length; without one, the topics are named."""
    if topic is None:
        for name, about in TOPICS.items():
            click.echo(f"{name:<10}  {about}")
        talk("To read one: runlog guide TOPIC")
        return 0
    if topic not in TOPICS:
        from runlog.cli.naming import near_commands

        near = near_commands(topic, list(TOPICS))
        asked = f"Did you mean {' or '.join(near)}? " if near else ""
        raise click.UsageError(
            f"There is no topic {topic!r}. {asked}There are: {', '.join(TOPICS)}"
        )
    _show(text_of(topic))
    return 0


def _show(text: str) -> None:
    from rich.console import Console
    from rich.markdown import Markdown

    width = min(table_width() or WIDEST, WIDEST)
    Console(width=width, highlight=False).print(Markdown(text))
