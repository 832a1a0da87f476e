"""dialbench schema"""

from __future__ import annotations

import json

import click


@click.command("schema")
@click.argument("kind", type=click.Choice(["dial", "layout"]), default="dial")
def command(kind: str) -> None:
    """Print the JSON Schema of dial.toml, or with "layout" that of a layout spec.

    An editor that knows it completes and checks such files as you write them.
    """
    from dialbench import dialfile, wishfile

    schema = wishfile.json_schema() if kind == "layout" else dialfile.json_schema()
    click.echo(json.dumps(schema, indent=2))
