"""``weldwindow completion``."""

from __future__ import annotations

import click

from cli.answer import say


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
    """Print a script that lets SHELL complete commands, options and folders.

    Put the line for your shell into its start-up file:

    \b
      bash:  eval "$(weldwindow completion bash)"
      zsh:   eval "$(weldwindow completion zsh)"
      fish:  weldwindow completion fish | source

    \b
    Examples:
      weldwindow completion bash
      weldwindow completion fish
    """
    from click.shell_completion import get_completion_class

    from cli.main import main

    completion = get_completion_class(shell)
    if completion is None:
        message = f"this version of click knows no completion for {shell}"
        raise click.ClickException(message)
    say(completion(main, {}, "weldwindow", "_WELDWINDOW_COMPLETE").source())
