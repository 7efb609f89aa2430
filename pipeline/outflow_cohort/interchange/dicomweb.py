"""One series from a DICOMweb server into a folder (WADO-RS, DICOM PS3.18 10.4), by an explicit command only.

Runs never touch the network: a study is fetched first and then is there like any other. A server that asks for a
login gets it from the environment or from netrc (`login`); it is in no argument, message, log or file.
"""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from outflow_cohort.files import write_atomically

if TYPE_CHECKING:
    from requests.auth import AuthBase

ADDRESS = re.compile(r"(?P<base>.+)/studies/(?P<study>[0-9.]{1,64})/series/(?P<series>[0-9.]{1,64})/?")
WAIT_SECONDS = 60.0
"""Longest silence of the server."""
TOKEN = "OUTFLOW_DICOMWEB_TOKEN"
USER, PASSWORD = "OUTFLOW_DICOMWEB_USER", "OUTFLOW_DICOMWEB_PASSWORD"
"""Environment variables: a bearer token (RFC 6750), or user and password (RFC 7617)."""
THIS_MACHINE = ("localhost", "127.0.0.1", "::1")
LOGIN_REFUSED = (401, 403)


class FetchError(Exception):
    """A series that cannot be fetched; the text says why and what to do."""


@dataclass(frozen=True)
class SeriesAddress:
    """Where a series is: service address, study and series UID."""

    base: str
    study: str
    series: str


def series_address(url: str) -> SeriesAddress:
    """Parts of SERVICE/studies/STUDY/series/SERIES; raises FetchError for any other address."""
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise FetchError("found another kind of address; needed http:// or https:// and a host name")
    if parts.username or parts.password:
        raise FetchError("found a user or password in the address; needed an address without, so that none is kept")
    match = ADDRESS.fullmatch(url)
    if match is None or parts.query or parts.fragment:
        raise FetchError("found no series in the address; needed SERVICE/studies/STUDY_UID/series/SERIES_UID")
    return SeriesAddress(match["base"], match["study"], match["series"])


def login(address: SeriesAddress) -> AuthBase | None:
    """What a request to `address` says of who asks: bearer token, else user and password from the environment, else
    those of netrc (the file that NETRC names, or ~/.netrc); None where there is none.

    Raises FetchError where half of a login is given, or where it would cross a network unencrypted.
    """
    from requests.auth import HTTPBasicAuth
    from requests.utils import get_netrc_auth

    token, user, password = (os.environ.get(name, "") for name in (TOKEN, USER, PASSWORD))
    if bool(user) != bool(password):
        raise FetchError(f"found one of {USER} and {PASSWORD}; needed both or none")
    if token and user:
        raise FetchError(f"found both {TOKEN} and {USER}; needed one of them: unset the other")
    found: AuthBase | None = None
    if token:
        found = _bearer(token)
    elif user:
        found = HTTPBasicAuth(user.encode("utf-8"), password.encode("utf-8"))
    elif pair := get_netrc_auth(address.base):
        found = HTTPBasicAuth(*(part.encode("utf-8") for part in pair))
    parts = urlsplit(address.base)
    if found is not None and parts.scheme != "https" and parts.hostname not in THIS_MACHINE:
        raise FetchError("found http:// and a login; needed https://, so that nobody on the way can read it")
    return found


def _bearer(token: str) -> AuthBase:
    from requests import PreparedRequest
    from requests.auth import AuthBase

    class Bearer(AuthBase):
        """As a header of the session it would give way to netrc."""

        def __call__(self, request: PreparedRequest) -> PreparedRequest:
            request.headers["Authorization"] = f"Bearer {token}"
            return request

    if not re.fullmatch(r"[A-Za-z0-9._~+/-]+=*", token):  # RFC 6750 section 2.1
        raise FetchError(f"found characters in {TOKEN} that no bearer token has; needed the token alone")
    return Bearer()


def fetch_series(*, url: str, output: Path, most_files: int = 100_000, most_megabytes: float = 16_384.0) -> int:
    """Write every instance of the series at `url` into the new folder `output`; returns their number.

    Files are named after a hash of their SOP instance UID, so the same series gives the same names. Raises FetchError
    where the address, the server or its answer is not as needed, or the bounds are exceeded; files come whole or not.
    """
    import requests
    from dicomweb_client.web import DICOMwebClient

    address = series_address(url)
    if output.exists() and any(output.iterdir()):
        raise FetchError(f"{output.name} holds files already; name a new folder")
    session = requests.Session()
    session.auth = login(address)
    client = DICOMwebClient(address.base, session=session, timeout=WAIT_SECONDS)
    client.set_http_retry_params(retry=True, max_attempts=2, wait_exponential_multiplier=500)
    count, size = 0, 0
    try:
        for dataset in client.iter_series(address.study, address.series, media_types=(("application/dicom", "*"),)):
            if (dataset.get("StudyInstanceUID"), dataset.get("SeriesInstanceUID")) != (address.study, address.series):
                raise FetchError("the server sent an instance of another series; ask who runs it")
            name = hashlib.sha256(str(dataset.SOPInstanceUID).encode()).hexdigest()[:24]
            path = output / f"{name}.dcm"
            write_atomically(path, partial(dataset.save_as, enforce_file_format=True))
            count, size = count + 1, size + path.stat().st_size
            if count > most_files or size > most_megabytes * 1e6:
                raise FetchError("the series is larger than the bounds; raise --most-megabytes if that is meant")
    except requests.RequestException as problem:
        status = getattr(getattr(problem, "response", None), "status_code", None)
        if status in LOGIN_REFUSED:
            how = "a login is needed" if session.auth is None else "the login was refused"
            raise FetchError(f"{how} (status {status}); set {TOKEN}, or {USER} and {PASSWORD}, or a line of netrc for "
                             "this host, or ask who runs the server for access") from None  # fmt: skip
        what = f"status {status}" if status else type(problem).__name__
        raise FetchError(f"the server did not give the series ({what}); check the address and that it runs") from None
    except (ValueError, KeyError, AttributeError, EOFError, TypeError) as problem:
        raise FetchError(f"the server's answer is no series of DICOM files ({type(problem).__name__})") from None
    if not count:
        raise FetchError("the server sent no instance of this series")
    return count
