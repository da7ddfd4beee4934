"""The options of the pytest plugin `yardwire`. Where no node is named it does nothing and imports nothing.

    pytest --yardwire-node siding --yardwire-site site.toml --yardwire-no-motion

What happens then is in `conformance.pytest_plugin.cases`.
"""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options, all of them with the prefix --yardwire."""
    group = parser.getgroup("yardwire", "conformance of a controller to the Yardwire protocol")
    group.addoption("--yardwire-node", metavar="NODE", help="judge this node; each case is a test")
    group.addoption("--yardwire-site", metavar="FILE", help="the site file that names NODE [YARDWIRE_SITE]")
    group.addoption("--yardwire-broker", metavar="URL", help="broker to use; else one is started")
    group.addoption("--yardwire-ca", metavar="FILE", help="CA to trust for mqtts:// [YARDWIRE_CA]")
    group.addoption("--yardwire-cert", metavar="FILE", help="client certificate to show [YARDWIRE_CERT]")
    group.addoption("--yardwire-key", metavar="FILE", help="its key [YARDWIRE_KEY]")
    group.addoption("--yardwire-user", metavar="NAME", help="user to log in as [YARDWIRE_USER]")
    group.addoption(
        "--yardwire-password-file",
        metavar="FILE",
        help="file of one line with the password [YARDWIRE_PASSWORD_FILE, or YARDWIRE_PASSWORD]",
    )
    group.addoption(
        "--yardwire-bind",
        metavar="ADDRESS:PORT",
        default="127.0.0.1:0",
        help="where NODE connects; an address that others reach is open to the network (default: %(default)s)",
    )
    group.addoption(
        "--yardwire-spawn",
        action="store_true",
        help="try it out: start the reference node or supervisor as NODE",
    )
    group.addoption("--yardwire-no-motion", action="store_true", help="run only cases that move nothing")
    group.addoption(
        "--yardwire-may-move",
        action="store_true",
        help="NODE is a real machine, and it may move: nobody is in its reach",
    )
    group.addoption(
        "--yardwire-program",
        metavar="CMD",
        help="starts NODE, a supervisor, for each case again; {broker} and {brief} in it are filled in",
    )
    group.addoption("--yardwire-reset-command", metavar="CMD", help="command that power-cycles the board")
    group.addoption(
        "--yardwire-slow",
        metavar="FACTOR",
        type=float,
        default=1.0,
        help="stretch every limit in time for a slow board (default: %(default)s)",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Bring the kit in where a node is named."""
    if config.getoption("yardwire_node") is not None:
        from conformance.pytest_plugin.cases import Kit

        config.pluginmanager.register(Kit(config), "yardwire-kit")
