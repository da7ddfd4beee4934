"""What stands in mosquitto's configuration so that nobody connects but who is named, and nobody as another.

Words of mosquitto.conf(5).
"""

from __future__ import annotations

from protocol.site import Site

FOLDER = "/etc/mosquitto/yardwire"
"""Where the files are that the configuration names."""

_TEXT = """\
# Who may connect to the bus of {site}: for mosquitto 2, on Debian as /etc/mosquitto/conf.d/yardwire.conf.
# The guide 'Who may connect' makes the files in {folder}.

# Whoever connects is a user with a password, on every listener: also on one that somebody adds below or elsewhere.
per_listener_settings false
allow_anonymous false
password_file {folder}/passwords
acl_file {folder}/yardwire.acl

listener 8883
# The client identifier is the user name, whatever a client says. Else anybody who has a password at all takes the
# client identifier of a board, and the board is thrown off the bus. So a user is connected once at a time.
# This holds for one listener: write it below every one.
use_username_as_clientid true
cafile {folder}/ca.crt
certfile {folder}/broker.crt
keyfile {folder}/broker.key
tls_version tlsv1.2
# With client certificates of the same CA: the common name (CN) of a certificate is then the user, and no password is
# asked for on this listener.
#require_certificate true
#use_identity_as_username true

# For boards that cannot speak TLS: only on the address of a network in which nobody listens, for whoever does can read
# the passwords of these boards. Give such boards no user with more rights than their own.
#listener 1883 192.168.7.1
#use_username_as_clientid true
"""


def broker_configuration(site: Site) -> str:
    """The text of the file."""
    return _TEXT.format(site=site.name, folder=FOLDER)
