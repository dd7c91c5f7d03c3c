"""Calibrate a sensor: laid down and turned step by step, and what came of each step."""

from __future__ import annotations

from typing import Final

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from review import formatting as fmt
from review.page.app import page_of
from review.page.forms import Form, field, posted
from review.page.livehub import LiveError
from review.page.range import hub_of

HERE: Final = "/settings/calibration"


def routes() -> list[BaseRoute]:
    """Return the paths of this screen."""
    return [
        Route(HERE, _screen),
        Route(HERE, posted(_start), methods=["POST"]),
        Route(f"{HERE}/stop", posted(_stop), methods=["POST"]),
        Route(f"{HERE}/remove", posted(_remove), methods=["POST"]),
    ]


def _screen(request: Request) -> Response:
    """Show how it stands; the part of it that changes where that is asked for."""
    page = page_of(request)
    hub = hub_of(page)
    name = "calibration_shown.html" if "part" in request.query_params else "calibration.html"
    services = page.tools.services
    return page.render(
        request,
        name,
        here="settings",
        now=hub.calibration,
        state=hub.state,
        can_start=hub.starter is not None,
        sensors=() if services is None else services.calibrations(),
    )


def _start(request: Request, form: Form) -> Response:
    """Begin, or look for sensors first."""
    page = page_of(request)
    hub = hub_of(page)
    sensor = field(form, "sensor", most=200)
    try:
        if hub.starter is None:
            raise LiveError("no sensor can be reached from this page")
        if "look" in form:
            hub.starter.look()
            return page.back(f"{HERE}#start", "Looked for sensors.", form=("start", form))
        hub.starter.calibrate(
            sensor if sensor not in ("", "near", "simulated") else None,
            simulated=sensor == "simulated",
        )
    except LiveError as error:
        return page.back(f"{HERE}#start", fmt.line_of(error), wrong=True, form=("start", form))
    return RedirectResponse(HERE, status_code=303)


def _stop(request: Request, _form: Form) -> Response:
    """End it: what was done so far may be enough."""
    hub = hub_of(page_of(request))
    if hub.starter is not None:
        hub.starter.end_calibration()
    return RedirectResponse(HERE, status_code=303)


def _remove(request: Request, form: Form) -> Response:
    """Take a sensor's calibration out of use."""
    page = page_of(request)
    services = page.tools.services
    if services is None:
        raise LiveError("nothing can be changed on this page")
    gone = services.remove_calibration(field(form, "sensor", most=100))
    return page.back("/settings#sensors", gone.text)
