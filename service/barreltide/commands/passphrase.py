"""The commands about who may come in from elsewhere: the passphrase, and a link for a neighbour."""

from __future__ import annotations

import getpass
import sys
import time
from argparse import Namespace

from ..site import Site
from ..web.sign_in import LONGEST, MOST_DAYS, SignIn, SignInError
from .client import Client, ClientError


def run(site: Site, options: Namespace) -> int:
    """Set the passphrase, from the terminal or the first line of standard input. Raises SignInError."""
    if sys.stdin.isatty():
        try:
            passphrase = getpass.getpass("The new passphrase (nothing is shown): ")
            if getpass.getpass("Once more: ") != passphrase:
                raise SignInError("the two are not the same; nothing is changed")
        except EOFError:
            raise SignInError("no passphrase was given; nothing is changed") from None
    else:
        passphrase = sys.stdin.readline(LONGEST + 3).rstrip("\r\n")
    SignIn(site.store_path, time.time).set_passphrase(passphrase)
    print("The passphrase is set. Whoever was signed in has to sign in again.", flush=True)
    return 0


def neighbour_link(site: Site, options: Namespace) -> int:
    """Print a link that shows the garden and answers nothing, or take all of them back. Raises SignInError."""
    sign_in = SignIn(site.store_path, time.time)
    if options.revoke:
        print(f"{sign_in.revoke('neighbour')} taken back: no neighbour's link works any more.", flush=True)
        return 0
    if not 1 <= options.days <= MOST_DAYS:
        raise SignInError(f"--days: found {options.days}; 1 to {MOST_DAYS} would do")
    try:
        address = site.web.address or Client.of_site(site).address
    except ClientError as error:
        raise SignInError(str(error)) from None
    print(f"{address.rstrip('/')}/neighbour/{sign_in.neighbour_token(options.days)}", flush=True)
    if site.web.address is None:
        print("[web] address in the site file would make it one that others can follow.", file=sys.stderr)
    return 0
