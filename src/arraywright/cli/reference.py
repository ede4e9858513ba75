"""The page about the commands, made from the commands themselves.

Write it anew with ``python -m arraywright.cli.reference > docs/commands.md``.
"""

from __future__ import annotations

import inspect
import sys

import click

from arraywright.cli.main import cli

__all__ = ["command_reference"]

_INTRODUCTION = """\
# Commands

This page is made from the program: `python -m arraywright.cli.reference > docs/commands.md`.

Every command takes a site folder (see [site-folder.md](site-folder.md)) and can be repeated: what
is known already changes nothing and is said so. Stages of long work are told on standard error,
results on standard output. Into a file or another program nothing is folded and nothing coloured.

| exit code | meaning |
|---|---|
| 0 | fine |
| 1 | the array has failing findings |
| 2 | the call or an input is wrong; whatever else could be used was used |
| 3 | the machine or network failed, or the work was stopped; what was recorded is whole |

With `--json` exactly one JSON document is printed on standard output, whatever happens. When the
work was done it holds `command`, `site`, `exit_code`, `unchanged`, `summary`, `verdicts`,
`findings`, `result` and `written`; when it could not be done, `error` (`code`, `message`,
`remedy`), `exit_code` and `findings`.

Findings that say the same of many subjects are shown for the first three and counted; `--all`
shows every one. Of one check at most a thousand are listed one by one in any case, the rest is
counted; the tables in `out` hold all.

When the program itself fails, a short message names a file `fault-...txt` in the site's folder
`out` (or in the machine's folder for temporary files) that can be sent to who maintains it. It
holds the command as it was called and the place of the failure, no content of any file.

Results advise. Local codes, the module maker's instructions and licensed people decide.
"""


def _paragraphs(text: str) -> str:
    return "\n\n".join(
        " ".join(part.split()) for part in inspect.cleandoc(text).split("\n\n") if part.strip()
    )


def _option_row(option: click.Option) -> str:
    names = ", ".join(f"`{name}`" for name in (*option.opts, *option.secondary_opts))
    if not option.is_flag:
        kind = option.metavar or option.type.name.upper()
        names += f" {kind}"
    default = f" Default: {option.show_default}." if isinstance(option.show_default, str) else ""
    return f"| {names} | {option.help or ''}{default} |"


def _command(name: str, command: click.Command) -> str:
    context = click.Context(command, info_name=f"arraywright {name}")
    usage = " ".join(command.collect_usage_pieces(context))
    options = [one for one in command.params if isinstance(one, click.Option)]
    lines = [
        f"## {name}",
        "",
        f"`arraywright {name} {usage}`",
        "",
        _paragraphs(command.help or ""),
        "",
        "| option | meaning |",
        "|---|---|",
        *map(_option_row, options),
    ]
    return "\n".join(lines) + "\n"


def command_reference() -> str:
    """Give the whole page as Markdown."""
    parts = [_INTRODUCTION, *(_command(name, cli.commands[name]) for name in sorted(cli.commands))]
    return "\n".join(parts)


if __name__ == "__main__":
    sys.stdout.write(command_reference())
