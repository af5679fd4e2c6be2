"""The server's side: one request in flight, success only by status 204, and what it really kept read back.

A `204` of a VictoriaMetrics server means "in memory": it can lose up to ten seconds at a crash, so rows count as confirmed only
after a barrier (a snapshot, deleted again) in the same run of the server, and after a read-back shows every timestamp sent.
A server that is no VictoriaMetrics acknowledges after its own log is written; there a `204` is the confirmation.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Any

import numpy as np
import urllib3
from numpy.typing import NDArray

from baytrace.forward.lines import encode
from baytrace.forward.looking import run_of
from baytrace.measure.later import Later

client, rest = Later("influxdb_client"), Later("influxdb_client.rest")
writing = Later("influxdb_client.service.write_service")
NO_CONTENT = 204
TIMEOUT_S = 10.0
READ_BACK_TIMEOUT_S = 60.0
LONGEST_WAIT_S = 600.0
Times = NDArray[np.int64]


class Unreachable(Exception):
    """Try again later; `after_s` when the server said how long."""

    def __init__(self, why: str, after_s: float | None = None) -> None:
        super().__init__(why)
        self.after_s = after_s


class Refused(Exception):
    """The server will never take this body as it is."""


@dataclass
class Server:
    """`url` is the base address; `token` may be `user:password` with `basic_auth`."""

    url: str
    org: str = ""
    bucket: str = "baytrace"
    token: str = ""
    basic_auth: bool = False

    def __post_init__(self) -> None:
        self._client = client.InfluxDBClient(
            url=self.url,
            token=self.token or "none",
            org=self.org,
            timeout=int(TIMEOUT_S * 1000),
            auth_basic=self.basic_auth,
        )
        self._write = writing.WriteService(self._client.api_client)
        auth = (
            {"authorization": urllib3.make_headers(basic_auth=self.token)["authorization"]}
            if self.basic_auth and self.token
            else {}
        )
        self._plain = urllib3.PoolManager(headers=auth, timeout=TIMEOUT_S, retries=False)

    def close(self) -> None:
        self._client.close()
        self._plain.clear()

    def send(self, body: str) -> None:
        """Write lines. Raises Unreachable (retry) or Refused (bisect)."""
        try:
            _, status, _ = self._write.post_write_with_http_info(
                org=self.org or "-",
                bucket=self.bucket,
                body=body.encode("utf-8"),
                precision="ns",
                _return_http_data_only=False,
                content_type="text/plain; charset=utf-8",
            )
        except rest.ApiException as error:
            status = error.status or 0
            if status in (400, 413, 422):
                raise Refused(f"the server answered {status}") from None
            raise Unreachable(f"the server answered {status}", _retry_after(error.headers)) from None
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise Unreachable(f"the server cannot be reached ({type(error).__name__})") from None
        if status != NO_CONTENT:
            raise Unreachable(f"the server answered {status} instead of 204")

    def metrics(self) -> str:
        """What the server says of itself; '' where it does not. Raises Unreachable."""
        return self._get("/metrics", missing="")

    def run_stamp(self) -> str:
        """What identifies this run of a VictoriaMetrics server; '' for another kind. Raises Unreachable."""
        return run_of(self.metrics())

    def probe(self, bench: str, time_ms: int) -> str:
        """Write one row and read it back: '' when the server kept it, else what is wrong. Raises Unreachable."""
        name = json.dumps(bench)
        try:
            self.send(encode("baytrace_probe", {"bench": bench}, {"value": 1.0}, time_ms * 1_000_000))
        except Refused as error:
            return f"the server refuses a plain row ({error}); is this the address of an InfluxDB v2 write API?"
        if not self.run_stamp():
            return ""
        found = self._export(f'{{__name__="baytrace_probe_value",bench={name}}}', time_ms, time_ms)
        if not any(time_ms in row["timestamps"] for row in found):
            return "the server answered 204 to a row and does not show it; does another server answer reads here?"
        return ""

    def barrier(self) -> bool:
        """Make a VictoriaMetrics server put to disk all it has; False where it cannot be asked."""
        answer = self._get("/snapshot/create", missing="")
        try:
            name = json.loads(answer)["snapshot"]
        except (ValueError, KeyError, TypeError):
            return False
        self._get(f"/snapshot/delete?snapshot={name}", missing="")
        return True

    def kept(self, bench: str, start_ms: int, end_ms: int) -> dict[str, Times]:
        """Timestamps (ms) the server has, by series as `rows` names them. VictoriaMetrics only."""
        match = f'{{bench={json.dumps(bench)},__name__=~"(reading|alarm|verdict|event)_.*"}}'
        found: dict[str, list[Times]] = {}
        for row in self._export(match, start_ms, end_ms):
            found.setdefault(series_of(row["metric"]), []).append(np.array(row["timestamps"], np.int64))
        return {series: np.concatenate(times) for series, times in found.items()}

    def _export(self, match: str, start_ms: int, end_ms: int) -> list[dict[str, Any]]:
        self._get("/internal/force_flush", missing="")
        query = {"match[]": match, "start": f"{start_ms / 1000:.3f}", "end": f"{end_ms / 1000:.3f}"}
        answer = self._request("POST", "/api/v1/export", query)
        try:
            return [json.loads(line) for line in answer.splitlines()]
        except ValueError:
            raise Unreachable("the export broke off") from None

    def _get(self, path: str, *, missing: str | None = None) -> str:
        return self._request("GET", path, None, missing=missing)

    def _request(self, method: str, path: str, fields: Mapping[str, str] | None, *, missing: str | None = None) -> str:
        try:
            answer = (
                self._plain.request(
                    method,
                    self.url.rstrip("/") + path,
                    fields=fields,
                    encode_multipart=False,
                    timeout=READ_BACK_TIMEOUT_S,
                )
                if fields
                else self._plain.request(method, self.url.rstrip("/") + path)
            )
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise Unreachable(f"the server cannot be reached ({type(error).__name__})") from None
        if answer.status >= 400:
            if missing is not None and answer.status < 500:
                return missing
            raise Unreachable(f"{path} answered {answer.status}")
        return answer.data.decode("utf-8", "replace")


def series_of(metric: Mapping[str, str]) -> str:
    """A stored metric's name as `rows` calls its series."""
    name = metric["__name__"].rpartition("_")[0]
    if name == "reading":
        return f"reading|{metric.get('channel', '')}|{metric.get('session', '')}"
    tags = {key: value for key, value in metric.items() if key not in ("__name__", "db")}
    return "|".join([name, *(f"{key}={value}" for key, value in sorted(tags.items()))])


def missing_of(sent: Mapping[str, Times], kept: Mapping[str, Times]) -> dict[str, Times]:
    """The sent times (ms) a read-back lacks, by series."""
    lost = {}
    for series, times in sent.items():
        gone = times[~np.isin(times, kept[series])] if series in kept else times
        if len(gone):
            lost[series] = gone
    return lost


def _retry_after(headers: Mapping[str, str] | None) -> float | None:
    """Seconds, from a number of them or an HTTP date (RFC 9110, 10.2.3); never absurdly long."""
    value = (headers or {}).get("Retry-After", "").strip()
    if not value:
        return None
    try:
        wait = float(value) if value[0].isdigit() else parsedate_to_datetime(value).timestamp() - time.time()
    except (ValueError, TypeError):
        return None
    return min(max(wait, 0.0), LONGEST_WAIT_S)
