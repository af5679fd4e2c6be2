"""The OpenAPI document made honest: every problem a route can answer is declared, as a problem document (RFC 9457)."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from baytrace.web.problems import MEDIA_TYPE, SCHEMA

ALWAYS = {
    "401": "No token, or one that is not known (only where the bench needs tokens).",
    "403": "The token's role may not do this, or the request comes from another site's page.",
    "421": "Not reached by a name of this bench's own machine, or through a proxy it was not told of.",
    "429": "Too many wrong tokens from this address; `Retry-After` says how long to wait.",
    "503": "The machine fails the bench just now: disk, files, or too many pages open.",
}
WITH_INPUT = {"422": "Something in the request cannot be used; `detail` says what and what would be right."}
WITH_NAME = {"404": "What the path or query names is not known here."}
WITH_BODY = {
    "400": "The body is no JSON, or broke off.",
    "408": "The body did not come in time.",
    "409": "Not possible in the present state.",
    "413": "The body is too large.",
}
DOCUMENT = """The API of one bench: what it measures, its sessions, and everything a session leaves. Times are RFC 3339 in UTC,
values SI (temperatures in K) unless a field says otherwise. Errors are RFC 9457 problem documents. On a loopback address no
token is needed; elsewhere `Authorization: Bearer TOKEN`, made with `baytrace token make`."""


def _problems_of(operation: dict[str, Any]) -> dict[str, str]:
    told = dict(ALWAYS)
    parameters = operation.get("parameters", [])
    if parameters or "requestBody" in operation:
        told |= WITH_INPUT
    if any(each["in"] in ("path", "query") for each in parameters):
        told |= WITH_NAME | {"409": WITH_BODY["409"]}
    if "requestBody" in operation:
        told |= WITH_BODY
    return told


def _declare(document: dict[str, Any]) -> None:
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for path in document["paths"].values():
        for operation in path.values():
            answers = operation["responses"]
            for status, text in _problems_of(operation).items():
                own = answers.get(status, {})
                described = own.get("description", text) if status != "422" else text
                if not own.get("content") or status == "422":
                    answers[status] = {"description": described, "content": content}
            operation["security"] = [{}, {"token": []}]
    schemas = document.setdefault("components", {}).setdefault("schemas", {})
    for unused in ("HTTPValidationError", "ValidationError"):
        schemas.pop(unused, None)
    schemas["Problem"] = SCHEMA
    document["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}


def install(app: FastAPI) -> None:
    """`/openapi.json` tells the whole truth from here on; call it once every route is there."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            made = get_openapi(title=app.title, version=app.version, description=DOCUMENT, routes=app.routes)
            _declare(made)
            app.openapi_schema = made
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]
