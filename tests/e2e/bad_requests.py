#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Asks every route that API.md names in every wrong way; see bad_requests.sh.

  bad_requests.py API.md DATABASE SOCKET HOST:PORT

An answer must be a problem document (RFC 9457) of a status that fits, and afterwards no
transaction may have been committed and every document that can be read must be the same."""

import http.client
import json
import re
import socket
import sqlite3
import sys

MIB = 1 << 20
TEXT, NUMBER, POSITIVE, COUNT, ID, FLAG, LIST, BYTES = "text number positive count id flag list bytes".split()
# Values that a field of that kind is not.
WRONG = {
    TEXT: [7, True, [], {}, "x" * 5000, "a\u0007b"],
    NUMBER: ["12", True, [], {}],
    POSITIVE: ["12", True, [], {}, 0, -1],
    COUNT: ["4", True, [], {}, 0, -1, 1.5, 100000],
    ID: ["4", True, [], {}, 0, -1, 1.5],
    FLAG: ["yes", 1, [], {}],
    LIST: ["launch-a", 7, True, {}],
    BYTES: ["*", "Zg", 7, True, [], {}],
}
# A body that would be taken, which of its fields it cannot do without, and all there are.
FACTS = {"rated_Ah": POSITIVE, "rated_hours": POSITIVE, "rated_cutoff_V": POSITIVE, "current_max_A": POSITIVE,
         "charge_current_max_A": POSITIVE, "temperature_max_C": NUMBER, "lot": TEXT, "note": TEXT}
POSTS = {
    "/v1/stands/NAME/start": ({"profile": "still", "battery": "launch-a"}, "profile battery", {}),
    "/v1/stands/NAME/confirm": ({"battery": "launch-b"}, "", {"anyway": FLAG}),
    "/v1/stands/NAME/stop": ({}, "", {}),
    "/v1/stands/NAME/clear": ({}, "", {}),
    "/v1/stands/NAME/accept": ({}, "", {}),
    "/v1/stands/NAME/queue": ({"profile": "still", "batteries": ["launch-a"]}, "profile batteries",
                              {"lot": TEXT, "by": TEXT}),
    "/v1/stands/NAME/queue/drop": ({"place": 1}, "place", {"id": ID, "battery": TEXT, "reason": TEXT}),
    "/v1/stands/NAME/queue/move": ({"place": 1, "to": 1}, "place to", {"id": ID, "battery": TEXT}),
    "/v1/batteries": ({"label": "launch-c", "chemistry": "lfp", "cells": 4}, "label chemistry cells", FACTS),
    "/v1/batteries/LABEL/edit": ({"cells": 4}, "", {**FACTS, "label": TEXT, "chemistry": TEXT, "forget": LIST}),
    "/v1/batteries/LABEL/retire": ({}, "", {}),
    "/v1/batteries/LABEL/imports": ({"file": "old.csv", "started_utc": "2024-05-01T18:00:00Z"}, "file",
                                    {"step": TEXT, "name": TEXT, "time_column": TEXT, "cutoff_V": POSITIVE,
                                     "discharge_positive": FLAG, "from_s": NUMBER, "acceptance_Ah": POSITIVE,
                                     "rule": TEXT, "guard_share_percent": POSITIVE, "starts_full": FLAG}),
    "/v1/imports/ID/piece": ({"at": 0, "base64": "Zm9v"}, "at base64", {}),
    "/v1/imports/ID/finish": ({"sha256": "0"}, "sha256", {}),
    "/v1/imports/ID/drop": ({}, "", {}),
    "/v1/lots/NAME/match": ({"series": 1}, "series", {"parallel": COUNT, "sets": COUNT}),
    "/v1/session": ({"token": "abcdefgh-abcdefgh-abcdefgh-abcdefgh"}, "token", {"keep": FLAG}),
    "/v1/session/end": ({}, "", {}),
    "/v1/tokens": ({"name": "wall", "may": "read"}, "name may", {}),
    "/v1/tokens/NAME/withdraw": ({}, "", {}),
    "/v1/plans": ({"profile": "still", "battery": "launch-a"}, "profile battery", {"stand": TEXT}),
}
KIND_OF = {"profile": TEXT, "battery": TEXT, "batteries": LIST, "label": TEXT, "chemistry": TEXT, "cells": COUNT,
           "file": TEXT, "started_utc": TEXT, "at": NUMBER, "base64": BYTES, "sha256": TEXT, "place": COUNT, "to": COUNT, "series": COUNT,
           "token": TEXT, "name": TEXT, "may": TEXT}
QUERIES = {"/v1/runs": ["limit=-1", "limit=ten", "limit=1.5", "limit=10000000000", "battery=%ff", "limt=3"],
           "/v1/runs/ID/curve": ["points=5", "points=many", "points=1000000", "from=soon", "from=nan", "to=inf",
                                 "from=1e999", "until=3"]}
NAMES = {"stands": "jetty", "batteries": "launch-a", "lots": "spring", "runs": "1", "tokens": "phone"}
# Names that cannot be one, and names of what is not there.
IMPOSSIBLE = ["%ff", "%2F", "a%00b", "a%0ab", "%zz", "x" * 300, "%20a", "..%2f..%2fetc%2fpasswd"]
UNKNOWN = {"stands": "jety", "batteries": "launch-z", "lots": "autumn", "runs": "999", "imports": "none", "tokens": "fone"}


def over_of(pattern):
    """Tokens are made and withdrawn by the socket only."""
    return Unix if pattern.startswith("/v1/tokens") else Tcp


class Tcp(http.client.HTTPConnection):
    pass


class Unix(http.client.HTTPConnection):
    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(self.timeout)
        self.sock.connect(self.host)


class Asking:
    def __init__(self, path, address):
        self.path, self.address = path, address
        self.asked, self.faults = 0, []

    def ask(self, method, path, body=None, headers=None, over=Tcp):
        c = over(self.path if over is Unix else self.address, timeout=20)
        headers = dict(headers or {})
        if over is Tcp and method != "GET":
            headers.setdefault("Content-Type", "application/json")
        c.request(method, path, body=body, headers=headers, encode_chunked=True)
        answer = c.getresponse()
        result = answer.status, dict(answer.getheaders()), answer.read() if method != "HEAD" else b""
        c.close()
        return result

    def refused(self, what, statuses, method, path, body=None, headers=None, over=Tcp):
        self.asked += 1
        text = json.dumps(body) if isinstance(body, dict) else body
        try:
            status, got, answer = self.ask(method, path, text, headers, over)
            wrong = problem_with(statuses, status, got, answer)
        except (OSError, http.client.HTTPException, ValueError) as e:
            wrong = repr(e)
        if wrong:
            self.faults.append(f"{method} {path[:80]}, {what}: {wrong}")


def problem_with(statuses, status, headers, answer):
    if status not in statuses:
        return f"status {status}, not {statuses}: {answer[:200]}"
    if headers.get("Content-Type") != "application/problem+json":
        return f"Content-Type {headers.get('Content-Type')}"
    p = json.loads(answer)
    if sorted(p) != ["code", "detail", "status", "title", "type"] or p["status"] != status or not p["detail"]:
        return f"no problem document: {p}"
    return "no Allow" if status == 405 and "Allow" not in headers else None


def routes(api_file):
    found = re.findall(r"^### (GET|POST) (/v1/\S+)", open(api_file, encoding="utf-8").read(), re.M)
    return [(method, path.split("?")[0]) for method, path in found]


def address_of(pattern, name=None):
    room = pattern.split("/")[2]
    return re.sub(r"NAME|LABEL|ID", lambda _: name if name is not None else NAMES[room], pattern)


def ask_bodies(a, pattern, over):
    if pattern not in POSTS:
        a.faults.append(f"the table of this test lacks POST {pattern}")
        return
    good, needed, more = POSTS[pattern]
    path = address_of(pattern)
    ask = lambda what, body: a.refused(what, [400], "POST", path, body, over=over)  # noqa: E731
    for text in ("{", "[]", "7", "\"x\"", "{\"a\":1,\"a\":2}", "{\"a\":\"\ud800\"}".encode("utf-8", "surrogatepass"),
                 "[" * 3000, "null", "{} {}"):
        ask(f"body {text[:20]!r}", text)
    ask("unknown field", {**good, "colour": "red"})
    for field in needed.split():
        ask(f"without {field}", {k: v for k, v in good.items() if k != field})
    for field, kind in {**{k: KIND_OF[k] for k in good}, **more}.items():
        for value in WRONG[kind]:
            ask(f"{field} = {json.dumps(value)[:40]}", {**good, field: value})


def ask_method(a, pattern, allowed):
    for method in ("GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
        if method not in allowed:
            for over in (Tcp, Unix):
                a.refused("wrong method", [405], method, address_of(pattern), "{}" if method != "GET" else None, over=over)


def ask_names(a, method, pattern):
    room = pattern.split("/")[2]
    good = json.dumps(POSTS[pattern][0]) if method == "POST" and pattern in POSTS else None
    over = over_of(pattern)
    for name in IMPOSSIBLE:
        a.refused(f"name {name[:30]}", [400], method, address_of(pattern, name), good, over=over)
    a.refused("unknown name", [404], method, address_of(pattern, UNKNOWN[room]), good, over=over)
    a.refused("no name", [404], method, address_of(pattern, ""), good, over=over)


def chunks(n):
    for _ in range(n // 4096):
        yield b"x" * 4096


def ask_access(a, method, pattern):
    path = address_of(pattern)
    body = json.dumps(POSTS[pattern][0]) if method == "POST" and pattern in POSTS else None
    for headers in ({"Host": "boat-hire.example"}, {"Host": "127.0.0.1:1"}, {"Host": ""},
                    {"Origin": "http://boat-hire.example"}, {"Origin": "null"},
                    {"Origin": "https://" + a.address}, {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}):
        a.refused(f"{headers}", [403], method, path, body, headers)
    if method == "POST":
        for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", "application/jsonx"):
            a.refused(f"type {kind!r}", [415], method, path, body, {"Content-Type": kind})
    if over_of(pattern) is Unix:
        a.refused("over TCP", [403], method, path, body)
    for over in {over_of(pattern), Unix}:
        a.refused("1 MiB", [413], method, path, b" " * MIB, over=over)
        a.refused("1 MiB in chunks", [413], method, path, chunks(MIB), {"Transfer-Encoding": "chunked"}, over=over)


def stands_as_shown(answer):
    """Without what changes by itself."""
    for stand in answer.get("stands", [answer]):
        stand.pop("reading", None)
        stand.pop("look", None)
        if stand.get("next"):
            stand["next"].pop("asked_utc", None)
    return answer


def documents(a, gets):
    shown = {}
    for pattern in gets:
        if pattern in ("/v1/events", "/v1/messages"):
            continue
        status, headers, body = a.ask("GET", address_of(pattern), over=over_of(pattern))
        assert status == 200, (pattern, status, body[:300])
        if pattern.startswith("/v1/stands"):
            body = json.dumps(stands_as_shown(json.loads(body)))
        if pattern.endswith("/report"):
            text = body.decode() if isinstance(body, bytes) else body
            body, times = re.subn(r"([Ii]ssued )[-0-9]{10} [:0-9]{8} UTC", r"\1", text)
            assert times == 1, (pattern, "when was it issued?", text[:400])
        shown[pattern] = body
    return shown


def main():
    api_file, database, path, address = sys.argv[1:]
    a = Asking(path, address)
    begun = a.ask("POST", "/v1/batteries/launch-a/imports", json.dumps(POSTS["/v1/batteries/LABEL/imports"][0]))
    NAMES["imports"] = json.loads(begun[2])["import"]
    known = routes(api_file)
    db = sqlite3.connect(database)
    version = lambda: db.execute("PRAGMA data_version").fetchone()[0]  # noqa: E731
    gets = [p for m, p in known if m == "GET"]
    before, at = documents(a, gets), version()
    for pattern in dict.fromkeys(p for _, p in known):
        ask_method(a, pattern, [m for m, p in known if p == pattern])
    for method, pattern in known:
        if re.search("NAME|LABEL|ID", pattern):
            ask_names(a, method, pattern)
        ask_access(a, method, pattern)
        if method == "POST":
            for over in {over_of(pattern), Unix}:
                ask_bodies(a, pattern, over)
        else:
            for query in QUERIES.get(pattern, []) + ["colour=red"]:
                a.refused(f"?{query}", [400], "GET", f"{address_of(pattern)}?{query}", over=over_of(pattern))
    for nowhere in ("/v1/", "/v1/stand", "/v1/stands/jetty/fly", "/v2/stands", "/etc/passwd", "/page/../main.c", "/v1/runs/1/"):
        a.refused("nothing there", [404], "GET", nowhere)
    if version() != at:
        a.faults.append("something was written to the database")
    after = documents(a, gets)
    a.faults += [f"GET {p} says something else afterwards" for p in before if before[p] != after[p]]
    print(f"{len(known)} routes, {a.asked} wrong requests, {len(a.faults)} not refused as they must be")
    for fault in a.faults[:60]:
        print(" ", fault)
    sys.exit(1 if a.faults else 0)


if __name__ == "__main__":
    main()
