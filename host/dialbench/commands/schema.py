"""dialbench schema"""

from __future__ import annotations

import json

import click


@click.command("schema")
def command() -> None:
    """Print the JSON Schema of dial.toml (an editor that knows it completes and checks)."""
    from dialbench import dialfile

    click.echo(json.dumps(dialfile.json_schema(), indent=2))
