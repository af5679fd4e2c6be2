"""A daemon that other machines can reach: tokens for every role, on request its own certificate."""

import json
import random
import socket
import ssl
import subprocess
import urllib.error
import urllib.request

from baytrace.web.tokens import AccessRole, TokenFile
from running_bench import RunningBench
from servers import need


def certificate(folder):
    """A key and a certificate for 127.0.0.1, made by openssl; (certificate, key)."""
    made, key = folder / "bench.crt", folder / "bench.key"
    command = [need("openssl"), "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1"]
    command += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(made)]
    subprocess.run(command, check=True, capture_output=True)
    key.chmod(0o600)
    return made, key


def port_for_all():
    """A port free at every address, outside the range clients get theirs from."""
    while True:
        port = random.randrange(15_000, 30_000)
        with socket.socket() as probe:
            try:
                probe.bind(("0.0.0.0", port))
            except OSError:
                continue
            return port


class GuardedBench(RunningBench):
    """`tokens` by role; `web` are more lines for the [web] table. `get` and `post` work as the bench's own people do."""

    def __init__(self, folder, config, web="", ca=None):
        super().__init__(folder, config)
        self.port = port_for_all()
        self.file.write_text(f'{config}\n[web]\nhost = "0.0.0.0"\nport = {self.port}\n{web}\n')
        file = TokenFile(folder / "tokens.json")
        self.tokens = {str(role): file.make(str(role), role) for role in AccessRole}
        self._context = ssl.create_default_context(cafile=ca) if ca else None

    @property
    def url(self):
        return f"{'https' if self._context else 'http'}://127.0.0.1:{self.port}"

    def ask(self, path, method="GET", role="bench", body=None, headers=None):
        """(status, headers, text) of any answer; `role` may be None."""
        given = {"Authorization": f"Bearer {self.tokens[role]}"} if role else {}
        data = json.dumps(body).encode() if body is not None else None
        given |= {"Content-Type": "application/json"} if data is not None else {}
        request = urllib.request.Request(self.url + path, data, given | (headers or {}), method=method)
        try:
            with urllib.request.urlopen(request, timeout=20, context=self._context) as answer:
                return answer.status, answer.headers, answer.read().decode("utf-8", "replace")
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.headers, error.read().decode("utf-8", "replace")

    def get(self, path):
        status, _, text = self.ask(path)
        assert status == 200, (status, text)
        return json.loads(text)

    def post(self, path, body):
        status, _, text = self.ask(path, "POST", body=body)
        assert status in (200, 201), (status, text)
        return json.loads(text)
