"""One series from a DICOMweb server into a folder (WADO-RS, DICOM PS3.18 10.4), by an explicit command only.

Runs never touch the network: a study is fetched first and then lies there like any other.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from outflow_cohort.files import write_atomically

ADDRESS = re.compile(r"(?P<base>.+)/studies/(?P<study>[0-9.]{1,64})/series/(?P<series>[0-9.]{1,64})/?")
WAIT_SECONDS = 60.0
"""Longest silence of the server."""


class FetchError(Exception):
    """A series that cannot be fetched; the text says why and what to do."""


@dataclass(frozen=True)
class SeriesAddress:
    """Where a series lies: service address, study and series UID."""

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
    client = DICOMwebClient(address.base, timeout=WAIT_SECONDS)
    client.set_http_retry_params(retry=True, max_attempts=2, wait_exponential_multiplier=500)
    count, size = 0, 0
    try:
        for dataset in client.iter_series(address.study, address.series, media_types=(("application/dicom", "*"),)):
            if (dataset.get("StudyInstanceUID"), dataset.get("SeriesInstanceUID")) != (address.study, address.series):
                raise FetchError("the server sent an instance of another series; ask who runs it")
            name = hashlib.sha256(str(dataset.SOPInstanceUID).encode()).hexdigest()[:24]
            path = output / f"{name}.dcm"
            write_atomically(path, lambda p, d=dataset: d.save_as(p, enforce_file_format=True))
            count, size = count + 1, size + path.stat().st_size
            if count > most_files or size > most_megabytes * 1e6:
                raise FetchError("the series is larger than the bounds; raise --most-megabytes if that is meant")
    except requests.RequestException as problem:
        status = getattr(getattr(problem, "response", None), "status_code", None)
        what = f"status {status}" if status else type(problem).__name__
        raise FetchError(f"the server did not give the series ({what}); check the address and that it runs") from None
    except (ValueError, KeyError, AttributeError, EOFError, TypeError) as problem:
        raise FetchError(f"the server's answer is no series of DICOM files ({type(problem).__name__})") from None
    if not count:
        raise FetchError("the server sent no instance of this series")
    return count
