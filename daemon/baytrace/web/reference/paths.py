"""Every path of the HTTP API, from the OpenAPI description of the app that is asked."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from fastapi import FastAPI

from baytrace.web.guard import OPEN_PATHS
from baytrace.web.reference.tables import as_toml, code, table
from baytrace.web.tokens import AccessRole

TITLE = "Reference: every HTTP path"
_INSTANT = {"format": "date-time"}

_HEAD = f"""# {TITLE}

Made from the description that the program itself gives at `/openapi.json`. On its own machine the bench asks for no token; on
any other address each request needs one: `Authorization: Bearer TOKEN` (see [Service](/manual/service#who-may-reach-the-bench)).
Instants are RFC 3339 (`2026-11-25T09:30:00Z`); in an address the `+` of an offset is written `%2B`. Values are SI with their
unit beside them. What is sent as a body is a JSON object:

```sh
curl http://127.0.0.1:8321/api/channels
curl "http://127.0.0.1:8321/api/readings?channel=system_pressure&points=100"
curl -H "Content-Type: application/json" -d '{{"text": "isolated", "who": "Kim"}}' http://127.0.0.1:8321/api/marks
```

Answers are JSON unless something else is said. An error is a problem document (RFC 9457) with `title`, `status` and `detail`:

| status | means | what to do |
|---|---|---|
| `400`, `408` | the body is no JSON, broke off, or did not come in time | send it again |
| `401` | a token is needed, or this one is not known | ask who runs the bench |
| `403` | the token's role may not do this, or the request came from a page of another site | use a token of the role named below |
| `404` | there is no such session, channel or page | look at the list |
| `409` | it does not fit the session's state | start or end a session first |
| `411`, `413` | the body has no length, or is too large | send less |
| `421` | the bench listens on its own machine only and was called by another name | use `http://127.0.0.1` |
| `422` | something given cannot be used; `detail` says what would be right | correct it |
| `429` | too many wrong tokens from this address | wait a minute |
| `500` | the bench made a mistake; its log has the details | report it |
| `503` | something it needs failed, or too many live pages are open | look at the alarms; close a page |
"""


def role_needed(method: str, path: str) -> str:
    """The least role whose token may do this."""
    if any(path == each or (each.endswith("/") and path.startswith(each)) for each in OPEN_PATHS):
        return "none"
    return str(next(role for role in AccessRole if role.allows(method, path)))


def operations(document: Mapping[str, Any]) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """Method, path and description, in the order of the document."""
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield method.upper(), path, operation


@cache
def _words() -> dict[str, dict[str, str]]:
    file = files("baytrace_dashboards").joinpath("manual", "words", "http.toml")
    return tomllib.loads(file.read_text(encoding="utf-8"))


def page(app: FastAPI) -> str:
    document = app.openapi()
    models = document.get("components", {}).get("schemas", {})
    parts = [_HEAD]
    for method, path, operation in operations(document):
        parts += [f"## {operation['summary']}", "", f"{code(f'{method} {path}')}", ""]
        parts += [operation.get("description", ""), ""]
        parts += [f"Token: {role_needed(method, path)}. Answer: {answer(method, path, operation)}", ""]
        rows = [*_parameters(operation), *_body(operation, models)]
        parts.append(table(("name", "where", "takes", "default", "meaning"), rows))
    return "\n".join(parts)


def answer(method: str, path: str, operation: Mapping[str, Any]) -> str:
    """What comes back when it goes well, with its status."""
    status = next(each for each in operation["responses"] if each.startswith("2"))
    return f"{_words()['answers'].get(f'{method} {path}', '')} ({status})"


def meaning(name: str, said: str = "") -> str:
    """What a field is: the code's own words, else those of the manual."""
    return said or _words()["fields"].get(name, "")


def _parameters(operation: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    for each in operation.get("parameters", ()):
        said = each.get("description", "")
        yield _row(each["name"], each["in"], each["schema"], said, needed=each.get("required", False))


def _body(operation: Mapping[str, Any], models: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    for kind in operation.get("requestBody", {}).get("content", {}).values():
        model = models[kind["schema"]["$ref"].rpartition("/")[2]]
        for name, schema in model["properties"].items():
            needed = name in model.get("required", ())
            yield _row(name, "body", schema, schema.get("description", ""), needed=needed)


def _row(name: str, where: str, schema: Mapping[str, Any], said: str, *, needed: bool) -> tuple[str, ...]:
    default = schema.get("default")
    shown = "required" if needed else "" if default in (None, "", {}, []) else code(as_toml(default))
    return code(name), where, _takes(schema), shown, meaning(name, said)


def _takes(schema: Mapping[str, Any]) -> str:
    if _INSTANT in schema.get("anyOf", ()):
        return "instant"
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_takes(each) for each in schema["anyOf"] if each.get("type") != "null"))
    if "enum" in schema:
        return ", ".join(code(str(each)) for each in schema["enum"])
    names = {
        "string": "text",
        "integer": "whole number",
        "boolean": "true or false",
        "array": "list",
        "object": "object",
    }
    return names.get(schema.get("type", ""), "number")
