"""From where a server can be reached, and what that needs: names, accounts, encryption."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from pathlib import Path

from api.errors import InputError

NAME = re.compile(r"(?=.{1,253}$)[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*")
FIRST = "tenhold accounts add NAME --role admin"


@dataclass(frozen=True)
class Reach:
    """Where a server listens, and under which names it is asked for."""

    host: str = "127.0.0.1"
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    is_encrypted_elsewhere: bool = False  # a proxy before it does that

    @property
    def is_loopback(self) -> bool:
        """Whether only this computer reaches it directly."""
        return self.host == "localhost" or ipaddress.ip_address(self.host).is_loopback

    @property
    def is_shared(self) -> bool:
        """Whether anybody from elsewhere is meant to use it."""
        return not self.is_loopback or bool(self.names)

    def say_address(self, port: int) -> str:
        """Return the address to open.

        >>> Reach("0.0.0.0", ("ward",), Path("c"), Path("k")).say_address(8000)
        'https://ward:8000'
        """
        name = self.names[0] if self.names else self.host
        if self.is_encrypted_elsewhere:
            return f"http://{self.host}:{port}, opened as https://{name}"
        return f"http{'s' if self.certificate else ''}://{name}:{port}"

    def check(self) -> Reach:
        """Return it with names as they are compared.

        Raises
        ------
        InputError
            Something is missing or does not fit; or there is no account yet.
        LogError
            Whether there is one cannot be read.
        """
        try:
            is_shared = self.is_shared
        except ValueError as error:
            do = "give an address of this computer, or 0.0.0.0 for all of them"
            raise InputError("--host", f"'{self.host}' is no IP address", do=do) from error
        for name in self.names:
            if not NAME.fullmatch(name.lower()):
                do = "write the name that stands in the address, without port or /"
                raise InputError("--name", f"'{name}' is no name of a computer", do=do)
        if not is_shared:
            return self
        need_accounts()
        if not self.names:
            what = "other computers need a name to ask for"
            raise InputError("--host", what, do="name it: --name hospital-host")
        self._check_encryption()
        return Reach(
            self.host, tuple(each.lower() for each in self.names), self.certificate, self.key,
            self.is_encrypted_elsewhere,
        )  # fmt: skip

    def _check_encryption(self) -> None:
        """Raise InputError where passwords would go over the network for everybody to read."""
        files = (self.certificate, self.key)
        if None in files and (any(files) or not self.is_encrypted_elsewhere):
            what = "passwords must not go over the network in the clear"
            do = (
                "give --certificate FILE and --key FILE, or --tls-elsewhere behind a proxy with TLS"
            )
            raise InputError("--certificate", what, do=do)
        for option, file in zip(("--certificate", "--key"), files, strict=True):
            if file is not None and not file.is_file():
                raise InputError(option, f"there is no file '{file}'", do="name a PEM file")


def need_accounts() -> None:
    """Raise InputError if there is no account; LogError if the logbook cannot be read."""
    from diagnose.logbook.accounts import is_any_there

    if not is_any_there():
        what = "a server that others reach needs accounts, and there is none"
        raise InputError("--host", what, do=f"make the first: {FIRST}")
