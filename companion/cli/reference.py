"""Commands that need no working folder: explain, measure, demo."""

from pathlib import Path

import click

from companion.cli.base import FOLDER, command, commands, json_option, print_result, print_text, watching
from companion.core.errors import CompanionError


@command()
@click.argument("what", required=False, metavar="[RULE|STEP|facts|json]")
@json_option
def explain(what: str | None, as_json: bool) -> None:
    """Explain a rule, what proven means of a step, every key of release.toml (facts), or what --json prints (json).

    Alone, list the rules.
    """
    from companion import workshop
    from companion.cli.render.reference import meaning_lines, rule_data, rule_lines

    if what == "facts":
        from companion.cli.render.facts import facts_data, facts_lines

        step = workshop.meaning("facts")
        print_result(as_json, {"step": step, **facts_data()}, [*meaning_lines(step), "", *facts_lines()])
    elif what == "json":
        from companion.cli.render.outputs import outputs_data, outputs_lines

        print_result(as_json, outputs_data(), outputs_lines())
    elif what and (step := workshop.meaning(what)):
        rules = tuple(rule for rule in workshop.explain() if rule.step == what)
        lines = [*meaning_lines(step), "", "Its rules:", *rule_lines(rules, full=False)]
        print_result(as_json, {"step": step, "rules": [rule_data(rule) for rule in rules]}, lines)
    else:
        rules = workshop.explain(what)
        print_result(as_json, {"rules": [rule_data(rule) for rule in rules]}, rule_lines(rules, full=what is not None))


@command()
@click.argument("paths", nargs=-1, required=True, type=FOLDER)
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print comma-separated values.")
def measure(paths: tuple[Path, ...], as_json: bool, as_csv: bool) -> None:
    """Measure audio files: levels, length, format and what else can be measured."""
    from companion import workshop
    from companion.cli.render.reference import measure_lines, measures_csv
    from companion.sound.measures.measured import to_plain

    with watching(quiet=as_json or as_csv) as watch:
        measured = workshop.measure(paths, watch)
    if as_csv and not as_json:
        print_text(measures_csv(measured), nl=False, exactly=True)
    else:
        print_result(as_json, {"files": [to_plain(one) for one in measured]}, measure_lines(measured))


@command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish", "powershell"]))
def completion(shell: str) -> None:
    """Print what lets a shell complete commands, options and folders with Tab.

    \b
    bash        eval "$(companion completion bash)"      in ~/.bashrc
    zsh         eval "$(companion completion zsh)"       in ~/.zshrc
    fish        companion completion fish | source       in ~/.config/fish/config.fish
    powershell  companion completion powershell | Out-String | Invoke-Expression       in $PROFILE
    """
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    if kind is None:
        raise CompanionError("The installed click knows no completion for this shell", shell, "update click to 8.5")
    print_text(kind(commands, {}, "companion", "_COMPANION_COMPLETE").source(), exactly=True)


@command()
@click.argument("directory", type=FOLDER, metavar="DIR")
def demo(directory: Path) -> None:
    """Copy the demo instrument to DIR, a new folder, to play with."""
    from companion import workshop
    from companion.cli.render.checklist import typed

    workshop.copy_demo(directory)
    print_text(f"Slate Choir is in {directory}.\nNext: companion {typed(directory)}")
