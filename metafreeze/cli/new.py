"""``metafreeze new``: an empty register."""

from __future__ import annotations

import click

from metafreeze.cli.options import ENDPOINTS, json_option
from metafreeze.cli.output import say
from metafreeze.options import ENDPOINT_WORDS


@click.command("new")
@click.argument("register")
@click.option("--title", default="", help="Title of the register, shown on the report.")
@click.option(
    "--endpoint",
    type=ENDPOINTS,
    help="The endpoint that gets the verdict; asked with the first sheet if left out.",
)
@click.option("--lab", default="", metavar="NAME", help="Your lab, for sheets that name none.")
@json_option
def command(register: str, title: str, endpoint: str | None, lab: str, as_json: bool) -> None:
    """Make an empty register: a folder that holds your trials and their history.

    \b
    Example:
      metafreeze new winter --title "Winter trials" --endpoint t_solid
    """
    from metafreeze.cautions import short_cautions
    from metafreeze.register.folder.store import create_register

    made = create_register(register, title=title, primary_endpoint=endpoint or "", lab=lab)
    lines = [f"Made the register {register}."]
    if endpoint:
        lines.append(f"Its endpoint is {endpoint}: {ENDPOINT_WORDS[endpoint]}.")
    lines += [
        "Next: metafreeze template runs writes a sheet to fill in;",
        f"      metafreeze add {register} trials.csv takes your own sheet.",
        "",
        "Before you start:",
        *[f"  - {caution}" for caution in short_cautions()],
    ]
    say(
        "\n".join(lines),
        {
            "register": str(register),
            "title": made.title,
            "primary_endpoint": made.primary_endpoint,
            "cautions": list(short_cautions()),
        },
        as_json=as_json,
    )
