"""The command line `gardenapp`: setting up, serving, and what cron or an expert wants.

Errors leave with exit code 2 and one sentence on stderr; bad input leaves everything as it was.

A command's module is imported when the command is run, so that the list of commands and the
answer to a typing slip come at once, also on a small computer. What the list says of each stands
here; a test holds it to the command's own words.
"""

from __future__ import annotations

import importlib

import click

from gardenapp.version import __version__

# Command: the module that adds it to `main`, and its line in the list of commands.
PARTS = {
    "backup": ("upkeep", "Make a copy of the database while the server runs, and check it."),
    "certificate": (
        "certificate",
        "Make a private certificate, so that phones can open the pages by HTTPS.",
    ),
    "copy-to": ("upkeep", "Copy the garden into the empty database at URL, and prove the copy."),
    "cutplan": (
        "builds",
        "Plan how to cut PIECES from STOCK, buying as little timber as can be.",
    ),
    "db": ("garden", "The database."),
    "doctor": ("upkeep", "Check the installation; leaves with 1 if something is broken."),
    "export": ("upkeep", "Write everything into FILE, a zip of one CSV a table."),
    "forecast": ("night", "Forecasts."),
    "hardiness": ("hardiness", "Print what CROP bears, day by day, from the weather it has had."),
    "improve": ("night", "Look for a better plan than the one in force; servers start this."),
    "import": ("upkeep", "Fill an empty database with an export, whole or not at all."),
    "init": (
        "garden",
        "Make the tables, the garden, its first coordinator and the plant catalogue.",
    ),
    "licences": ("upkeep", "List the installed packages with their versions and licences."),
    "member": ("garden", "Members and their links."),
    "night": ("ground", "Nights that have been, and how good the rules for them are."),
    "notices": ("notices", "Notices of cold nights."),
    "plan": ("night", "Plan a night from its newest forecast and print the board."),
    "replay": ("season", "Replay the record in FILE night by night with simulated forecasts."),
    "restore": (
        "upkeep",
        "Put a copy back in the place of the database; the server must be stopped.",
    ),
    "serve": ("server", "Serve the pages, after bringing the tables up to date."),
    "store": ("store", "The store of covers and materials."),
    "trial": ("trials", "Trials of a cover with two loggers."),
    "version": ("", "Print the version."),
}


class Commands(click.Group):
    """A group that knows its commands by name and imports the one that is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(PARTS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in PARTS and cmd_name not in self.commands:
            importlib.import_module(f"gardenapp.cli.{PARTS[cmd_name][0]}")
        return super().get_command(ctx, cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """As click's own, from the table and without an import."""
        width = formatter.width - 6 - max(map(len, PARTS))
        with formatter.section("Commands"):
            formatter.write_dl(
                [
                    (name, click.Command(name, help=words).get_short_help_str(width))
                    for name, (_, words) in sorted(PARTS.items())
                ]
            )


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="gardenapp", message="%(prog)s %(version)s")
def main() -> None:
    """Gets a community garden's vulnerable plants through cold nights."""


@main.command("version")
def version() -> None:
    """Print the version."""
    click.echo(f"gardenapp {__version__}")
