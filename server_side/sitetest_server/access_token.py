"""The token that whoever measures must show: given by hand, or made once and kept where only this user can read it.

May import the standard library only.
"""

import os
import secrets
from pathlib import Path

VARIABLE = "SITETEST_TOKEN"
TOKEN_FILE = "token"  # noqa: S105  # a file's name


class TokenError(ValueError):
    """A token that cannot be sent in an HTTP header, or a file that cannot be used; the message says which."""


def checked(token: str, where: str) -> str:
    """Return the token as it is. Raises TokenError. where: for the message."""
    if not token or not all("!" <= character <= "~" for character in token):
        raise TokenError(f"{where}: a token is one word of printable ASCII characters without spaces")
    return token


def kept_token(folder: Path) -> str:
    """Return the token kept in ``folder``, making it where there is none. Raises TokenError."""
    path = folder / TOKEN_FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            path.chmod(0o600)
            return checked(path.read_text(encoding="utf-8", errors="replace").strip(), str(path))
        token = secrets.token_urlsafe(18)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(token + "\n")
    except OSError as problem:
        raise TokenError(
            f"{path}: cannot keep a token there ({problem.strerror}); give one with --token or {VARIABLE}"
        ) from problem
    return token
