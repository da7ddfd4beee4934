"""The options of every command that joins a bus: which broker, and how to be let in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import wraps
from pathlib import Path
from typing import Any

import click

from conformance.bench.connection.login import (
    BROKER,
    CA,
    CERT,
    KEY,
    PASSWORD,
    PASSWORD_FILE,
    SEEN,
    USER,
    Login,
    address_of,
    has_password,
)
from conformance.commands.options.settings import login_environment, setting

Command = Callable[..., Any]
USUAL = "mqtt://127.0.0.1:1883"
_FILE = click.Path(path_type=Path, dir_okay=False)
LOGIN_OPTIONS = (
    click.option(
        "--ca",
        type=_FILE,
        metavar="FILE",
        help=f"Certificate of the CA to trust for mqtts:// (PEM; default: as the system does).  [{CA}]",
    ),
    click.option(
        "--cert",
        "certificate",
        type=_FILE,
        metavar="FILE",
        help=f"Client certificate to show (PEM).  [{CERT}]",
    ),
    click.option(
        "--key",
        type=_FILE,
        metavar="FILE",
        help=f"Its key (PEM; default: in the same file).  [{KEY}]",
    ),
    click.option("--user", metavar="NAME", help=f"User to log in as.  [{USER}]"),
    click.option(
        "--password-file",
        type=_FILE,
        metavar="FILE",
        help=f"File of one line, readable by you alone, with the password.  [{PASSWORD_FILE}, or {PASSWORD}]",
    ),
)


def choice_option(default: str, told: str) -> Callable[[Command], Command]:
    """Which broker is started where none is joined; the default is listed first."""
    known = ["auto", "mosquitto", "embedded"]
    return click.option(
        "--choice",
        type=click.Choice(known if default == "auto" else known[::-1]),
        default=default,
        show_default=True,
        help=told,
    )


def always(_parameters: Mapping[str, Any]) -> bool:
    """A command that always joins a bus which is there."""
    return True


def never(_parameters: Mapping[str, Any]) -> bool:
    """A command that joins a bus only where one is named on the command line."""
    return False


def bus_options(
    *, joins: Callable[[Mapping[str, Any]], bool] = always, otherwise: str = ""
) -> Callable[[Command], Command]:
    """Adds the options of the connection; the command gets `bus`, an `Address`, or None where it joins no bus.

    `joins` tells from the other parameters whether a bus is joined where no --broker is given: then the variable
    YARDWIRE_BROKER or the configuration file counts, else this machine. A broker that the kit would start for itself
    is never replaced by either: whoever has set it to record a yard must not find simulated cranes there.
    `otherwise` says what is done without --broker.
    """
    default = otherwise or f"default: {USUAL}"
    broker = click.option(
        "--broker",
        "url",
        metavar="URL",
        help=f"The broker, mqtt://HOST:PORT, or mqtts:// for TLS ({default})."
        + ("" if joins is never else f"  [{BROKER}]"),
    )

    def decorate(command: Command) -> Command:
        @wraps(command)
        def with_bus(
            *arguments: Any,
            url: str | None,
            ca: Path | None,
            certificate: Path | None,
            key: Path | None,
            user: str | None,
            password_file: Path | None,
            **parameters: Any,
        ) -> Any:
            login = Login(ca, certificate, key, user, password_file)
            if url is not None and has_password(url):
                click.echo(SEEN, err=True)
            if url is None and joins(parameters):
                url = setting(BROKER) or USUAL
            if url is None and not login.is_empty:
                raise click.UsageError("login options were given without a broker: add --broker")
            way_in = {} if url is None else login_environment(url, named=not login.is_empty)
            bus = None if url is None else address_of(url, login, way_in)
            return command(*arguments, bus=bus, **parameters)

        for option in reversed((broker, *LOGIN_OPTIONS)):
            with_bus = option(with_bus)
        return with_bus

    return decorate
