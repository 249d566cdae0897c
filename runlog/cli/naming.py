"""Groups of commands that know what was nearly meant."""

import click


class Suggesting(click.Group):
    """A group that names the commands near to one that it does not have."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; where there is none, say which it may have been."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            near = near_commands(args[0], self.list_commands(ctx))
            if not near:
                raise
            said = f"{error.message} Did you mean {' or '.join(near)}?"
            raise click.UsageError(said, ctx) from error


def near_commands(typed: str, known: list[str]) -> list[str]:
    """List the commands that are spelt nearly so, the nearest first."""
    from difflib import get_close_matches

    return get_close_matches(typed.lower(), known, n=3, cutoff=0.7)
