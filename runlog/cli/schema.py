"""runlog schema: what the JSON of a listing holds."""

import json

import click

from runlog.cli.common import group_session


def _names(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    from runlog.core.schema.write import listed

    return [name for name in listed() if name.startswith(incomplete)]


@click.command("schema")
@click.argument("listing", required=False, shell_complete=_names)
@group_session
def command(listing: str | None) -> int:
    """Print the JSON Schema of LISTING: each key's type, meaning and unit.

    LISTING is the name in the key "schema" of what --json writes: runlog.frames/1 is frames.
    Without one, the listings are named.
    """
    from runlog.core.schema.write import listed, schema_of

    known = listed()
    if listing is None:
        for name, schema in known.items():
            click.echo(f"{name:<15}  {schema}")
        return 0
    name = listing.removeprefix("runlog.").split("/")[0]
    if name not in known:
        from runlog.cli.naming import near_commands

        near = near_commands(name, list(known))
        asked = f" Did you mean {' or '.join(near)}?" if near else ""
        raise click.UsageError(f"No listing is called {listing!r}.{asked} See: runlog schema")
    click.echo(json.dumps(schema_of(name), indent=2, ensure_ascii=False))
    return 0
