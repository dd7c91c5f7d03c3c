"""Files that are added on the page, and what is told of them."""

from __future__ import annotations

import httpx
import numpy as np
from page_screens import Site
from patience import PATIENCE_S
from range_site import wait


def upload(site: Site, data: bytes, name: str = "x.csv") -> httpx.Response:
    """Send a file as the page would."""
    return site.http.post("/add/file", files={"file": (name, data)}, headers={"origin": site.url})


def over(site: Site, answer: httpx.Response) -> str:
    """Follow work until it is over; return its screen."""
    assert answer.status_code == 303, answer.text
    url = answer.headers["location"]
    assert url.startswith("/underway/")
    wait(lambda: 'data-state="over"' in site.http.get(url).text, seconds=PATIENCE_S)
    return site.http.get(url).text


def odd_table() -> bytes:
    """Return rest and one long pull under odd titles, m/s2 and rad/s."""
    t = np.arange(0.0, 12.0, 0.005)
    pulling = np.abs(t - 6.0) < 0.4
    columns = np.zeros((len(t), 7))
    columns[:, 0] = t
    columns[:, 3] = np.where(pulling, 60.0, 9.81)
    columns[:, 4] = np.where(pulling, 12.0, 0.001)
    lines = ["clock,ax,ay,az,one,two,three", *(",".join(f"{x:.6g}" for x in r) for r in columns)]
    return "\n".join(lines).encode()
