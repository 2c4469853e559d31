#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The attack table: what somebody on the network may try, each while a run is going on,
and what comes of it. Afterwards the run must not have noticed anything: no sample late,
no event, the charge as the battery's own counter saw it, and an order to stop carried out at once.

  table.py [--only WORD] [--write FILE]

--write puts the table into FILE as Markdown. Exit status: 0 all rows hold, 1 some do not,
77 the build is not meant for it (sanitizers distort times).
"""
import argparse
import contextlib
import json
import os
import re
import resource
import socket
import sys
import threading
import time
import traceback

sys.dont_write_bytecode = True
sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "faults"))

from harness import LABEL, STAND, Bench, await_that, must  # noqa: E402

ATTACKER, OTHER, FRIEND = "127.0.0.2", "127.0.0.4", "127.0.0.3"  # addresses of this computer, as if of three
PERIOD_S = 0.2  # of samples
TRUST_S = 3
SOON_S = 2  # whoever has a right is answered within
MIB = 1 << 20
ROWS = []
CLOSED, SILENT = "cut off", "no answer"


class Row:
    def __init__(self, name, expected, act):
        self.name, self.expected, self.act = name, expected, act
        self.seen, self.ok, self.gap_s, self.seconds = "", False, None, 0.0


def row(name, expected):
    def add(act):
        ROWS.append(Row(name, expected, act))
        return act
    return add


# --- talking ---

def connect(port, source=ATTACKER, timeout=10, narrow=False):
    """narrow: so that little of an answer fits between the two."""
    s = socket.socket()
    s.settimeout(timeout)
    if narrow:
        s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        s.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, 500)
    s.bind((source, 0))
    s.connect(("127.0.0.1", port))
    return s


def answer_of(s, seconds=5):
    """All that comes, until the other side closes or nothing comes for so long."""
    s.settimeout(seconds)
    text = b""
    with contextlib.suppress(OSError):
        while piece := s.recv(65536):
            text += piece
        return text, True
    return text, False


def statuses(text):
    return [int(n) for n in re.findall(rb"HTTP/1\.[01] (\d{3}) ", text)]


class Target:
    """The bench under attack."""

    def __init__(self, bench, port, tokens):
        self.bench, self.port, self.tokens = bench, port, tokens

    def ask(self, method, path, token=None, headers=None, body=None, source=ATTACKER):
        """(status, headers and body as text)"""
        lines = {"Host": f"127.0.0.1:{self.port}", "Connection": "close"}
        if token:
            lines["Authorization"] = f"Bearer {self.tokens.get(token, token)}"
        if body is not None or method == "POST":
            lines["Content-Type"] = "application/json"
            lines["Content-Length"] = str(len(body or b""))
        lines.update(headers or {})
        head = f"{method} {path} HTTP/1.1\r\n" + "".join(f"{k}: {v}\r\n" for k, v in lines.items()) + "\r\n"
        text = self.raw(head.encode("latin-1") + (body or b""), source)
        return (statuses(text) or [0])[0], text.decode("latin-1")

    def raw(self, data, source=ATTACKER, seconds=5):
        with connect(self.port, source) as s:
            with contextlib.suppress(OSError):
                s.sendall(data)
            return answer_of(s, seconds)[0]

    def outcome(self, data, seconds=3):
        """In a word: the status, or how it ended without one."""
        with connect(self.port) as s:
            with contextlib.suppress(OSError):
                s.sendall(data)
            text, closed = answer_of(s, seconds)
        codes = statuses(text)
        # The library says its refusal of a malformed length twice.
        must(len(set(codes)) <= 1, f"answered {len(codes)} times: {codes} to {data[:300]}: {text}")
        return str(codes[0]) if codes else CLOSED if closed else SILENT

    def head(self, line, *more, token="phone", host=True, close=True):
        more += ("Connection: close",) if close else ()
        lines = [line] + ([f"Host: 127.0.0.1:{self.port}"] if host else []) + list(more)
        if token:
            lines.append(f"Authorization: Bearer {self.tokens[token]}")
        return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")

    def probe(self):
        """The milliseconds in which a friend is answered: a look, and an order to stop, which goes the
        way of every stop but names no stand; by the network, and by the socket."""
        slowest = 0.0
        for method, path, wanted in (("GET", "/v1/stands", 200), ("POST", "/v1/stands/nowhere/stop", 404)):
            begun = time.monotonic()
            status, text = self.ask(method, path, "phone", source=FRIEND)
            slowest = max(slowest, time.monotonic() - begun)
            must(status == wanted, f"a friend got {status}, not {wanted}: {text[:200]}")
        begun = time.monotonic()
        must(self.bench.stand() is not None, "the socket does not answer")
        slowest = max(slowest, time.monotonic() - begun)
        must(slowest <= SOON_S, f"a friend was answered after {slowest:.1f} s only")
        return slowest * 1000


def told(counts):
    """"401 three times" in few words."""
    return ", ".join(f"{k} ×{n}" if n > 1 else f"{k}" for k, n in counts.items())


def count(items):
    counts = {}
    for item in items:
        counts[item] = counts.get(item, 0) + 1
    return counts


def all_among(outcomes, allowed):
    """outcomes: {attempt: outcome}. Returns them counted."""
    wrong = {k: v for k, v in outcomes.items() if v not in allowed}
    must(not wrong, f"not {' or '.join(allowed)}: {wrong}")
    return told(count(outcomes.values()))


def memory_kib(t):
    with open(f"/proc/{t.bench.worker()}/status") as f:
        return int(re.search(r"VmRSS:\s+(\d+)", f.read()).group(1))


# --- who may ---

@row("no token", "401; the page itself is public")
def _(t):
    tries = {(m, p): str(t.ask(m, p)[0]) for m, p in (
        ("GET", "/v1/stands"), ("GET", "/v1/events"), ("GET", "/v1/backup"), ("HEAD", "/v1/stands"),
        ("GET", "/v1/nothing"), ("POST", f"/v1/stands/{STAND}/stop"), ("POST", "/v1/batteries"),
            ("POST", "/v1/tokens"))}
    must(t.ask("GET", "/")[0] == 200, "the page is not there")
    return all_among(tries, ["401", "403"])


@row("wrong token", "401")
def _(t):
    right = t.tokens["phone"]
    tries = {x: str(t.ask("POST", f"/v1/stands/{STAND}/stop", x, source=OTHER)[0]) for x in (
        "x", right[:-1], right + "a", right.upper(), " ".join(right), "aaaaaaaa-aaaaaaaa-aaaaaaaa-aaaaaaaa")}
    return all_among(tries, ["401"])


@row("read token writing", "403 for every order; 200 for a look and a plan")
def _(t):
    orders = {p: str(t.ask("POST", p, "wall")[0]) for p in (
        f"/v1/stands/{STAND}/stop", f"/v1/stands/{STAND}/start", f"/v1/stands/{STAND}/clear", "/v1/batteries",
        f"/v1/batteries/{LABEL}/retire", f"/v1/stands/{STAND}/queue", "/v1/tokens", "/v1/tokens/phone/withdraw")}
    must(t.ask("GET", "/v1/stands", "wall")[0] == 200, "it may not even look")
    plan = json.dumps({"profile": "short", "battery": LABEL}).encode()
    must(t.ask("POST", "/v1/plans", "wall", body=plan)[0] == 200, "it may not even plan")
    return all_among(orders, ["403"])


@row("token in a wrong scheme or place", "401")
def _(t):
    right = t.tokens["phone"]
    tries = {str(h) + q: str(t.ask("GET", "/v1/stands" + q, headers=h)[0]) for h, q in (
        ({"Authorization": f"Basic {right}"}, ""), ({"Authorization": right}, ""),
            ({"Authorization": f"Bearer{right}"}, ""),
        ({"Cookie": f"ampledger={right}"}, ""), ({"Cookie": f"ampledger-1={right}"}, ""), ({"X-Token": right}, ""),
        ({}, f"?token={right}"))}
    return all_among(tries, ["401"])


@row("tokens made or withdrawn over the network", "403, also with one that may change")
def _(t):
    tries = {p: str(t.ask(m, p, "phone", body=b)[0]) for m, p, b in (
        ("GET", "/v1/tokens", None), ("POST", "/v1/tokens", b'{"name":"mine","may":"change"}'),
        ("POST", "/v1/tokens/phone/withdraw", b"{}"))}
    return all_among(tries, ["403"])


@row("300 wrong tokens from one address",
     "ten times 401, then 429; the right one from there and others from elsewhere as before")
def _(t):
    got = [t.ask("GET", "/v1/stands", f"guess-{i}", source="127.0.0.9")[0] for i in range(300)]
    must(got[:10] == [401] * 10 and set(got[11:]) == {429}, f"{count(got)}")
    must(t.ask("GET", "/v1/stands", "phone", source="127.0.0.9")[0] == 200, "the right one is locked out")
    must(t.ask("GET", "/v1/stands", "guess", source="127.0.0.10")[0] == 401, "another address is held for this one")
    return told(count(got))


@row("wrong tokens from 1000 addresses", "401; memory as before")
def _(t):
    before = memory_kib(t)
    got = [t.ask("GET", "/v1/stands", "guess", source=f"127.1.{i // 250}.{1 + i % 250}")[0] for i in range(1000)]
    must(memory_kib(t) - before < 1024, f"memory went from {before} to {memory_kib(t)} KiB")
    return all_among(dict(enumerate(map(str, got))), ["401"])


# --- what other sites make a browser send ---

@row("cross-site form, with the cookie a browser might send", "403 by its origin; 415 without one; nothing stops")
def _(t):
    cookie = {"Cookie": f"ampledger-{t.port}={t.tokens['phone']}"}
    must(t.ask("GET", "/v1/stands", headers=cookie)[0] == 200, "the cookie does not count at all")
    tries = {}
    for kind in ("application/x-www-form-urlencoded", "text/plain", "multipart/form-data; boundary=x"):
        for origin in ({"Origin": "http://boat-hire.example"}, {"Origin": "null"}, {}):
            tries[kind, str(origin)] = str(t.ask("POST", f"/v1/stands/{STAND}/stop", body=b"a=b",
                                                 headers={**cookie, **origin, "Content-Type": kind})[0])
    return all_among(tries, ["403", "415"])


@row("cross-site fetch, Origin null, preflight", "403, and no header that lets the other site read")
def _(t):
    cookie = {"Cookie": f"ampledger-{t.port}={t.tokens['phone']}"}
    tries = {}
    for more in ({"Origin": "null"}, {"Origin": "http://boat-hire.example"}, {"Origin": f"https://127.0.0.1:{t.port}"},
                 {"Origin": f"http://127.0.0.1:{t.port}.boat-hire.example"}, {"Sec-Fetch-Site": "cross-site"},
                 {"Sec-Fetch-Site": "same-site"}):
        for method in ("GET", "POST", "OPTIONS"):
            status, text = t.ask(method, f"/v1/stands/{STAND}/stop" if method == "POST" else "/v1/stands",
                                 headers={**cookie, **more})
            must("access-control" not in text.lower(), text)
            tries[method, str(more)] = str(status)
    return all_among(tries, ["403"])


@row("DNS rebinding: a foreign name in Host", "403, with a token too")
def _(t):
    tries = {h: str(t.ask("GET", p, "phone", headers={"Host": h})[0]) for p in ("/v1/stands", "/") for h in (
        f"boat-hire.example:{t.port}", "boat-hire.example", f"127.0.0.1.boat-hire.example:{t.port}",
        f"localhost.:{t.port}", f"127.0.0.1:{t.port + 1}", "127.0.0.1", f"2130706433:{t.port}", f"0x7f.1:{t.port}",
        f"user@127.0.0.1:{t.port}", "a" * 2000, f"[::1%25lo]:{t.port}", "")}
    return all_among(tries, ["403"])


# --- what is asked for ---

@row("path traversal in many spellings", "400 or 404, and nothing of a file")
def _(t):
    dots = ("..", "%2e%2e", "%2E.", "..%2f", "..%5c", "%252e%252e", "..%c0%af",
        "%c0%ae%c0%ae", "....//", "..;", "..%00")
    tries = {}
    for d in dots:
        for before in ("", "/page", "/charts", "/v1/profiles", "/v1/runs", "/v1/batteries"):
            path = before + f"/{d}" * 6 + "/etc/passwd"
            status, text = t.ask("GET", path, "phone")
            must("root:" not in text, text)
            tries[path] = str(status)
    for profile in ("../../../../etc/passwd", "/etc/passwd", "short.yaml/../short", "..\\short"):
        body = json.dumps({"profile": profile, "battery": LABEL}).encode()
        tries[profile] = str(t.ask("POST", "/v1/plans", "phone", body=body)[0])
    return all_among(tries, ["400", "404"])


@row("oversized body", "413; above 1 MiB cut off, at the latest")
def _(t):
    path = f"POST /v1/stands/{STAND}/start HTTP/1.1"
    kind = "Content-Type: application/json"
    tries = {}
    for n in (65537, MIB, 10 * MIB, 1 << 40, (1 << 64) - 1):
        sent = b"x" * min(n, 4 * MIB)
        tries[n] = t.outcome(t.head(path, kind, f"Content-Length: {n}") + sent)
    endless = t.head(path, kind, "Transfer-Encoding: chunked") + b"10000\r\n" + b"x" * 65536 + b"\r\n"
    tries["endless chunks"] = t.outcome(endless + (b"10000\r\n" + b"x" * 65536 + b"\r\n") * 63)
    return all_among(tries, ["413", CLOSED, "400"])


@row("oversized line, headers, number of headers", "414, 431 or cut off")
def _(t):
    tries = {"line": t.outcome(t.head("GET /" + "a" * 100000 + " HTTP/1.1")),
             "query": t.outcome(t.head("GET /v1/runs?limit=" + "1" * 100000 + " HTTP/1.1")),
             "header": t.outcome(t.head("GET /v1/stands HTTP/1.1", "X-Long: " + "a" * 100000)),
             "name": t.outcome(t.head("GET /v1/stands HTTP/1.1", "X" * 100000 + ": a")),
             "headers": t.outcome(t.head("GET /v1/stands HTTP/1.1", *[f"X-{i}: a" for i in range(10000)])),
             "cookie": t.outcome(t.head("GET /v1/stands HTTP/1.1", "Cookie: " + "a=b; " * 20000))}
    return all_among(tries, ["414", "431", "413", CLOSED])


@row("malformed JSON", "400")
def _(t):
    bad = (b"{", b"[]", b"7", b'"x"', b"{'a':1}",
        b'{"a":1,"a":2}', b"\xff\xfe", b'{"a":"\xc3\x28"}', b'{"a":"\xed\xa0\x80"}',
           b"{}{}", b"\0", b'{"profile":"a\\u0000b","battery":"x"}', b'{"profile":1e999,"battery":"x"}',
           b'{"profile":' + b"9" * 60000 + b"}", b"nul", b"[1,2", b"//", b"<xml/>")
    tries = {b[:30]: str(t.ask("POST", f"/v1/stands/{STAND}/start", "phone", body=b)[0]) for b in bad}
    return all_among(tries, ["400"])


@row("deep JSON: 30000 levels", "400")
def _(t):
    tries = {o: str(t.ask("POST", f"/v1/stands/{STAND}/start", "phone", body=b)[0])
             for o, b in (("[", b"[" * 60000), ("{", b'{"a":' * 10000), ("[]", b"[" * 30000 + b"]" * 30000))}
    return all_among(tries, ["400"])


@row("wrong methods", "400, 405 or 501; nothing done")
def _(t):
    tries = {m: t.outcome(t.head(f"{m} /v1/stands/{STAND}/stop HTTP/1.1", "Content-Type: application/json",
                                 "Content-Length: 0"))
             for m in ("GET", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "post", "POSTX", "HEAD",
                       "PROPFIND", "A" * 5000)}
    return all_among(tries, ["400", "405", "414", "431", "501"])


# --- framing ---

@row("two requests in the dress of one (smuggling)", "400 or cut off, never two answers")
def _(t):
    inner = t.head(f"POST /v1/stands/{STAND}/stop HTTP/1.1", "Content-Type: application/json", "Content-Length: 0")
    line, kind = "POST /v1/plans HTTP/1.1", "Content-Type: application/json"
    n = len(inner)
    tries = {}
    for name, heads, body in (
            ("two lengths", (f"Content-Length: {n}", "Content-Length: 0"), inner),
            ("two lengths turned round", ("Content-Length: 0", f"Content-Length: {n}"), inner),
            ("the same twice", ("Content-Length: 2", "Content-Length: 2"), b"{}"),
            ("a list of lengths", ("Content-Length: 0, 5",), inner),
            ("length and chunked", ("Content-Length: 5", "Transfer-Encoding: chunked"), b"0\r\n\r\n" + inner),
            ("chunked and length", ("Transfer-Encoding: chunked", "Content-Length: 5"), b"0\r\n\r\n" + inner),
            ("chunked twice", ("Transfer-Encoding: chunked", "Transfer-Encoding: identity"), b"0\r\n\r\n"),
            ("negative", ("Content-Length: -1",), inner), ("plus", ("Content-Length: +5",), inner),
            ("hexadecimal", ("Content-Length: 0x5",), inner),
                ("too large", ("Content-Length: 99999999999999999999",), inner),
            ("two hosts", ("Host: boat-hire.example", "Content-Length: 2"), b"{}"),
            ("no host", ("Content-Length: 2",), b"{}")):
        data = t.head(line, kind, *heads, host=name != "no host", close=False) + body
        tries[name] = t.outcome(data, 1)
    return all_among(tries, ["400", "413", CLOSED])


@row("chunked nonsense", "400, 413 or cut off; 500 by the library for an extension of 100 KB")
def _(t):
    line, kind = "POST /v1/plans HTTP/1.1", "Content-Type: application/json"
    tries = {b[:20]: t.outcome(t.head(line, kind, "Transfer-Encoding: chunked") + b) for b in (
        b"ZZZ\r\n{}\r\n", b"FFFFFFFFFFFFFFFFFF\r\n{}", b"-1\r\n{}\r\n0\r\n\r\n",
            b"2;" + b"x" * 100000 + b"\r\n{}\r\n0\r\n\r\n",
        b"2\r\n{}XX0\r\n\r\n", b"\r\n\r\n", b"0x2\r\n{}\r\n0\r\n\r\n", b"2\r\n{}\r\n0\r\n" + b"X: y\r\n" * 20000)}
    return all_among(tries, ["400", "413", "431", "500", CLOSED])


@row("what is no request: noise, TLS, empty lines, versions",
     "400, 401, 505 or cut off; without an answer until then only where it never was a line")
def _(t):
    noise = bytes((i * 73 + 41) % 256 for i in range(4000))
    hello = bytes.fromhex("16030100c8010000c40303") + noise[:192]
    tries = {"noise": t.outcome(noise + b"\r\n\r\n"), "TLS": t.outcome(hello + b"\r\n\r\n"),
             "one word": t.outcome(b"HELLO\r\n\r\n"), "NULs": t.outcome(b"\0" * 5000 + b"\r\n\r\n", 1),
             "version 9.9": t.outcome(t.head("GET /v1/stands HTTP/9.9")),
             "blank in a name": t.outcome(t.head("GET /v1/stands HTTP/1.1", "Bad Name : x", token=None)),
             "no colon": t.outcome(t.head("GET /v1/stands HTTP/1.1", "nonsense", token=None))}
    return all_among(tries, ["400", "401", "505", CLOSED] + [SILENT] * (tries["NULs"] == SILENT))


# --- much, and slow ---

def hold_open(t, how_many, data, source=ATTACKER, narrow=False):
    """So many connections that have sent that and no more; how many were let in."""
    held = []
    for _ in range(how_many):
        with contextlib.suppress(OSError):
            s = connect(t.port, source, 2, narrow)
            s.setblocking(False)
            held.append(s)
            s.send(data)
    return held


def still_open(held):
    n = 0
    for s in held:
        try:
            n += s.recv(1, socket.MSG_PEEK) != b""
        except BlockingIOError:
            n += 1
        except OSError:
            pass
    return n


def let_go(held):
    for s in held:
        s.close()


SLOW_HEAD = b"GET /v1/stands HTTP/1.1\r\nHost: "


@row("slowloris: 500 connections of one address, a byte each second; 60 slow bodies with a right token from another",
     "100 of the 500 are served; all cut off after 20 s; others as before")
def _(t):
    held = hold_open(t, 500, SLOW_HEAD)
    time.sleep(0.3)
    served, slowest = still_open(held), 0.0
    must(served <= 100, f"{served} connections of one address are open")
    body = t.head(f"POST /v1/stands/{STAND}/start HTTP/1.1", "Content-Type: application/json", "Content-Length: 5000")
    bodies = hold_open(t, 60, body, OTHER)
    must(still_open(bodies) == 60, "other addresses are not served")
    begun = time.monotonic()
    while still_open(held + bodies) and time.monotonic() - begun < 30:
        for s in held + bodies:
            with contextlib.suppress(OSError):
                s.send(b"1")
        slowest = max(slowest, t.probe())
        time.sleep(1)
    took, left = time.monotonic() - begun, still_open(held + bodies)
    let_go(held + bodies)
    must(left == 0, f"{left} are open after {took:.0f} s")
    return f"{served} and 60 served, all cut off after {took:.0f} s; others answered within {slowest:.0f} ms meanwhile"


@row("slowloris: all 600 places, of six addresses", "cut off after 3 s; then there is room for others again")
def _(t):
    held = []
    for i in range(6):
        held += hold_open(t, 100, SLOW_HEAD, f"127.0.1.{i + 1}")
    begun = time.monotonic()
    must(t.bench.stand() is not None, "the socket does not answer")
    by_socket = time.monotonic() - begun
    must(by_socket < SOON_S, f"by the socket it took {by_socket:.1f} s")
    status, _ = t.ask("GET", "/v1/stands", "phone", source=FRIEND)
    took = time.monotonic() - begun
    let_go(held)
    must(status == 200 and took < 8, f"a friend got {status} after {took:.1f} s")
    return f"by the socket answered within {by_socket * 1000:.0f} ms, by the network after {took:.1f} s"


@row("slow readers: all 600 places, of six addresses, and again; a file of the page is asked for and not taken",
     "cut off after 8 s; then there is room for others again; by the socket as before")
def _(t):
    held, by_socket, by_network = [], 0.0, 0.0
    ask = t.head("GET /charts/dygraph.min.js HTTP/1.1", token=None, close=False) * 4
    for _ in range(2):
        for i in range(6):
            held += hold_open(t, 100, ask, f"127.0.2.{i + 1}", narrow=True)
        begun = time.monotonic()
        must(t.bench.stand() is not None, "the socket does not answer")
        by_socket = max(by_socket, time.monotonic() - begun)
        await_that(30, "a friend is answered", lambda: t.ask("GET", "/v1/stands", "phone", source=FRIEND)[0] == 200)
        by_network = max(by_network, time.monotonic() - begun)
    let_go(held)
    must(by_socket < SOON_S, f"by the socket it took {by_socket:.1f} s")
    must(by_network < 15, f"a friend was answered after {by_network:.1f} s")
    return f"by the socket answered within {by_socket * 1000:.0f} ms, by the network after {by_network:.1f} s"


@row("slow readers: 90 ask for all samples and the charts and read nothing", "others as before")
def _(t):
    held = []
    for path in ("/v1/runs/last/samples", "/v1/runs/last/whole", "/charts/dygraph.min.js"):
        held += hold_open(t, 30, t.head(f"GET {path} HTTP/1.1", token="wall", close=False) * 20)
    slowest = max(t.probe() for _ in range(4))
    let_go(held)
    return f"others answered within {slowest:.0f} ms meanwhile"


@row("200 event streams of two addresses", "16 served, as of one token, the rest 503; others as before")
def _(t):
    held = []
    for source in (ATTACKER, OTHER):
        for _ in range(10):
            held += hold_open(t, 10, t.head("GET /v1/events HTTP/1.1", token="wall", close=False), source)
            time.sleep(0.1)
    time.sleep(0.5)
    codes = []
    for s in held:
        with contextlib.suppress(OSError):
            codes += statuses(s.recv(4096))
    slowest = max(t.probe() for _ in range(5))
    let_go(held)
    n = count(codes)
    must(n.get(200) == 16 and set(n) == {200, 503}, f"{n}")
    return f"{told(n)}; others answered within {slowest:.0f} ms meanwhile"


@row("3000 connections that come and go, each with a reset", "others as before")
def _(t):
    slowest = 0.0
    for i in range(3000):
        with contextlib.suppress(OSError):
            s = connect(t.port, timeout=2)
            s.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            s.send(SLOW_HEAD[:i % 30])
            s.close()
        if i % 500 == 0:
            slowest = max(slowest, t.probe())
    return f"others answered within {slowest:.0f} ms meanwhile"


@row("5000 requests without a token, sent ahead on 20 connections", "401; others as before")
def _(t):
    codes, slowest = [], 0.0
    data = t.head("GET /v1/stands HTTP/1.1", token=None, close=False) * 250

    def one():
        with contextlib.suppress(OSError), connect(t.port) as s:
            threading.Thread(target=lambda: s.sendall(data), daemon=True).start()
            codes.extend(statuses(answer_of(s, 2)[0]))
    threads = [threading.Thread(target=one) for _ in range(20)]
    for x in threads:
        x.start()
    while any(x.is_alive() for x in threads):
        slowest = max(slowest, t.probe())
    must(codes and set(codes) == {401}, f"{count(codes)}")
    return f"{told(count(codes))}; others answered within {slowest:.0f} ms meanwhile"


@row("plans, reports and copies of the database by the dozen, with a token that may look",
     "done, or 409, 503; others as before")
def _(t):
    codes, plan = [], json.dumps({"profile": "short", "battery": LABEL}).encode()

    def one(i):
        for _ in range(5):
            method, path, body = (("POST", "/v1/plans", plan), ("GET", "/v1/backup", None),
                ("GET", "/v1/runs/last/report", None),
                                  ("GET", "/v1/runs/last/curve", None))[i % 4]
            codes.append(t.ask(method, path, "wall", body=body)[0])
    threads = [threading.Thread(target=one, args=(i,)) for i in range(60)]
    for x in threads:
        x.start()
    slowest = 0.0
    while any(x.is_alive() for x in threads):
        slowest = max(slowest, t.probe())
    must(set(codes) <= {200, 409, 503}, f"{count(codes)}")
    return f"{told(count(codes))}; others answered within {slowest:.0f} ms meanwhile"


# --- the run that goes on meanwhile ---

def prepare():
    """A bench that others reach, with two tokens, and nothing open before there were any."""
    b = Bench()
    b.profile(("sample_every: 1 s", f"sample_every: {PERIOD_S} s"))
    with open(f"{b.home}/bench.yaml", "a") as f:
        f.write("http: 0.0.0.0:0\n")
    b.start_virtual()
    b.start_daemon()
    refused = Row("listening where others reach it, without any token", "not opened", None)
    b.expect(0, "stands")
    log = b.log_text()
    refused.ok = "is not opened before there is a token" in log and "the page is on every address" not in log
    refused.seen = "not opened; the log says why, the bench works" if refused.ok else log
    tokens = {n: json.loads(b.expect(0, "token", "make", n, "--may", m, "--json"))["token"]
              for n, m in (("phone", "change"), ("wall", "read"))}
    b.add_battery()
    b.daemon.terminate()
    must(b.daemon_ends(20), "the daemon does not leave")
    b.start_daemon()
    port = int(re.search(r"the page is on every address of this computer, port (\d+): http://", b.log_text()).group(1))
    return Target(b, port, tokens), refused


def samples(b):
    return [t for (t,) in b.query("select t_s from sample where run_nr = 1 and step = 1 order by t_s")]


def longest_gap(b, from_s):
    """From the last sample before that on; what is on its way to the disk is waited for."""
    until_s = b.run_elapsed_s()
    times = await_that(5, "samples are recorded", lambda: (x := samples(b)) and x[-1] >= until_s - 1 and x)
    late = [y - x for x, y in zip(times, times[1:]) if y > from_s]
    return max(late) if late else None


def figures(times):
    gaps = [b - a for a, b in zip(times, times[1:])]
    return len(times), max(gaps), sum(g > 1.5 * PERIOD_S for g in gaps)


def stop_under_attack(t):
    """The order itself, with the token that may change, while strangers hold what they can."""
    held = hold_open(t, 300, SLOW_HEAD)
    held += hold_open(t, 90, t.head("GET /v1/events HTTP/1.1", token="wall", close=False), OTHER)
    begun = time.monotonic()
    status, text = t.ask("POST", f"/v1/stands/{STAND}/stop", "phone", source=FRIEND)
    took_s = time.monotonic() - begun
    off = t.bench.load_is("off")
    let_go(held)
    must(status == 200 and off, f"stop got {status}, the load is {'off' if off else 'on'}: {text[-300:]}")
    must(took_s <= SOON_S, f"to stop took {took_s:.1f} s")
    return f"200 and the load off after {took_s * 1000:.0f} ms"


def run_unharmed(t, worker, calm_n):
    b = t.bench
    run = b.ended(10)
    must(run["outcome"] == "stopped", f"the run ended as {run['outcome']}")
    must(b.worker() == worker, "another worker is at work")
    times = samples(b)
    n, gap, late = figures(times[calm_n:])
    expected = (times[-1] - times[calm_n]) / PERIOD_S
    counted = float(re.search(r"discharged_Ah=(\S+)", b.control(f"counter {LABEL}")).group(1))
    events = b.query("select kind, text from event where kind in ('alarm', 'trip', 'notice')")
    must(not events, f"it noticed something: {events}")
    must(not [line for line in b.log_text().splitlines() if " error " in line and "works without the page" not in line],
        b.log_text()[-2000:])
    must(gap < TRUST_S / 2, f"a sample came {gap:.2f} s after the one before")
    must(n >= 0.95 * expected, f"{n} samples, {expected:.0f} were due")
    edges_Ah = 10 * 1.5 * PERIOD_S / 3600  # at 10 A, from on to the first sample and from the last to off
    must(abs(run["discharged_Ah"] - counted) <= edges_Ah + 0.001 * counted,
        f"{run['discharged_Ah']} Ah recorded, {counted} Ah counted")
    b.must_be_sound()
    calm = figures(times[:calm_n])
    return (f"{n} samples, {expected:.0f} were due every {PERIOD_S} s; "
            f"the longest gap {gap:.2f} s, {late} above {1.5 * PERIOD_S:.1f} s "
            f"(before the attacks {calm[1]:.2f} s, {calm[2]} of {calm[0]}); {run['discharged_Ah']:.4f} Ah recorded, "
            f"{counted:.4f} Ah by the battery's own counter; no event, no alarm, the same process")


def carry_out(r, t):
    begun, from_s = time.monotonic(), t.bench.run_elapsed_s()
    try:
        r.seen = r.act(t)
        t.probe()
        r.gap_s = longest_gap(t.bench, from_s)
        must(t.bench.stand()["phase"] == "running", "the run is not going on")
        r.ok = True
    except Exception as e:
        r.seen = f"{type(e).__name__}: {e}"
        traceback.print_exc()
    r.seconds = time.monotonic() - begun
    print(f"{'ok  ' if r.ok else 'FAIL'} {r.seconds:5.1f} s  {r.name}: {r.seen}"
          + (f" (longest gap between samples {r.gap_s:.2f} s)" if r.gap_s else ""), flush=True)


def last_rows(t, worker, calm_n):
    rows = [Row("an order to stop, under 300 slow connections and 90 streams",
        "carried out at once", stop_under_attack),
            Row("the run meanwhile", "not disturbed", lambda x: run_unharmed(x, worker, calm_n))]
    for r in rows:
        try:
            r.seen, r.ok = r.act(t), True
        except Exception as e:
            r.seen = f"{type(e).__name__}: {e}"
            traceback.print_exc()
        print(f"{'ok  ' if r.ok else 'FAIL'}          {r.name}: {r.seen}", flush=True)
    return rows


def write_table(path, rows):
    with open(path, "w") as f:
        f.write("<!-- SPDX-License-Identifier: GPL-3.0-or-later -->\n# What somebody on the network may try\n\n"
                "Written by `tests/attacks/table.py --write tests/ATTACKS.md`; run by `ctest -R attacks_table`.\n"
                "A bench listens where others reach it, with a token that may `change` and one that may `read`, and\n"
                f"discharges a simulated battery, a sample each {PERIOD_S} s. After each row a look and an order to\n"
                "stop (of a stand that is not there) from another address, and a look by the socket, must be\n"
                f"answered within {SOON_S} s, and the run must be going on. Times as measured once on the machine\n"
                "that wrote this page.\n"
                "Malformed request lines are answered by the HTTP library itself, with its own few words of HTML.\n\n"
                "| attempt | expected | seen | longest time from sample to sample |\n| --- | --- | --- | --- |\n")
        for r in rows:
            f.write("| " + " | ".join(str(c).replace("|", "\\|").replace("\n", " ") for c in (
                r.name, r.expected, r.seen, f"{r.gap_s:.2f} s" if r.gap_s else "")) + " |\n")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--only")
    parser.add_argument("--write")
    wanted = parser.parse_args()
    if os.environ.get("AMPLEDGER_SANITIZED") == "1":
        print("skipped: sanitizers distort the times that this is about")
        return 77
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 4096), hard))
    t, first = prepare()
    try:
        rows = [r for r in ROWS if not wanted.only or wanted.only in r.name]
        t.bench.discharge()
        worker = t.bench.worker()
        time.sleep(5)
        calm_n = len(samples(t.bench))
        for r in rows:
            carry_out(r, t)
        rows = [first] + rows + last_rows(t, worker, calm_n)
    finally:
        with contextlib.suppress(Exception):
            print("\n".join([x for x in t.bench.log_text().splitlines() if "by the token" not in x][-12:]))
        t.bench.end()
    failed = [r.name for r in rows if not r.ok]
    if wanted.write and not failed:
        write_table(wanted.write, rows)
    print(f"{len(rows)} attempts, {len(failed)} not as they must be" + "".join(f"\n  {n}" for n in failed))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
