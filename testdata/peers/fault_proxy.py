"""A Modbus client's way to a peer that spoils some of the replies, for tests.

usage: fault_proxy.py tcp HOST PORT | fault_proxy.py rtu|ascii|rtu-over-tcp|ascii-over-tcp DEVICE

The kinds over TCP make it a serial server too: one client at a time, the last to
come, which gets whatever the serial side says, be it meant for one before.

Standard input has one command a line; each is answered with "ok".
  serve                  begins to serve, on 127.0.0.1 or a new pseudo-terminal; first
                         and once only; answered with the port or the device
  mix SHARE FAULT...     from now on this share of the requests meets a fault
  count                  answered with FAULT=NUMBER for each fault met so far
A fault is a word, with milliseconds from which one is drawn where it takes time, as
delay:20-90. All of a mix are met equally often, in random order:
  delay       the reply comes later; further requests wait for it
  late        on TCP, later too, but further requests are served meanwhile
  split       half of the reply at once, the rest later
  drop        no reply
  exception   an exception reply, with a code of 1 to 11
  short long  a register too few, too many, with a byte count that says so
  wrongfc wrongunit wrongtid (TCP) crc (RTU) lrc (ASCII)   the wrong one of these
  garbage     random bytes
  stale       (TCP) the frame before again, as it was
  halfopen reset close   (any over TCP) the connection is kept but dead, or ended
The end of standard input ends the program.
"""
import asyncio
import os
import pty
import random
import select
import socket
import struct
import sys
import termios
import threading
import time
import tty


class Mix:
    def __init__(self):
        self.lock, self.share, self.faults, self.deck, self.met = threading.Lock(), 0, [], [], {}

    def draw(self):
        """Returns a fault and seconds, or none."""
        with self.lock:
            if random.random() >= self.share:
                return None, 0
            if not self.deck:
                self.deck = random.sample(self.faults, len(self.faults))
            name, _, span = self.deck.pop().partition(":")
            low, high = map(int, span.split("-")) if span else (0, 0)
            self.met[name] = self.met.get(name, 0) + 1
            return name, random.uniform(low, high) / 1000

    def obey(self):
        for line in sys.stdin:
            with self.lock:
                word, *rest = line.split()
                if word == "mix":
                    self.share, self.faults, self.deck = float(rest[0]), rest[1:], []
                    print("ok", flush=True)
                elif word == "count":
                    print("ok", *(f"{name}={n}" for name, n in self.met.items()), flush=True)
                else:
                    print("not understood", flush=True)
        os._exit(0)


def bend(fault, unit, pdu):
    """Returns unit and PDU of a reply with faults that change these."""
    if fault == "exception":
        return unit, bytes([pdu[0] | 0x80, random.randint(1, 11)])
    if fault == "wrongfc":
        return unit, bytes([pdu[0] ^ 7]) + pdu[1:]
    if fault == "wrongunit":
        return unit ^ 0x10, pdu
    if fault == "short" and pdu[1] > 2:
        return unit, bytes([pdu[0], pdu[1] - 2]) + pdu[2:-2]
    if fault == "long":
        return unit, bytes([pdu[0], (pdu[1] + 2) & 0xFF]) + pdu[2:] + random.randbytes(2)
    return unit, pdu


async def serve_tcp(mix, host, port):
    async def frame(reader):
        header = await reader.readexactly(7)
        tid, _, length, unit = struct.unpack(">HHHB", header)
        return tid, unit, await reader.readexactly(length - 1)

    def pack(tid, unit, pdu):
        return struct.pack(">HHHB", tid, 0, len(pdu) + 1, unit) + pdu

    async def later(seconds, writer, out):
        await asyncio.sleep(seconds)
        writer.write(out)

    async def handle(reader, writer):
        tasks, before = set(), None
        peer, to_peer = await asyncio.open_connection(host, port)
        try:
            while True:
                tid, unit, request = await frame(reader)
                fault, seconds = mix.draw()
                if fault == "drop":
                    continue
                if fault == "halfopen":
                    while await reader.read(4096):
                        pass
                    return
                if fault == "reset":
                    writer.transport.abort()
                    return
                if fault == "close":
                    return
                to_peer.write(pack(tid, unit, request))
                tid, unit, pdu = await frame(peer)
                true = pack(tid, unit, pdu)
                out = pack(tid ^ 0x5555 if fault == "wrongtid" else tid, *bend(fault, unit, pdu))
                if fault == "garbage":
                    out = random.randbytes(random.randint(1, 40))
                if fault == "stale" and before:
                    out = before
                before = true
                if fault == "late":
                    task = asyncio.ensure_future(later(seconds, writer, out))
                    tasks.add(task)
                    continue
                if fault == "delay":
                    await asyncio.sleep(seconds)
                if fault == "split":
                    half = random.randint(1, len(out) - 1)
                    writer.write(out[:half])
                    await asyncio.sleep(seconds)
                    out = out[half:]
                writer.write(out)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            for task in tasks:
                task.cancel()
            to_peer.close()
            writer.close()

    server = await asyncio.start_server(handle, "127.0.0.1", 0)
    print("ok", server.sockets[0].getsockname()[1], flush=True)
    threading.Thread(target=mix.obey, daemon=True).start()
    await server.serve_forever()


def crc(data):
    c = 0xFFFF
    for x in data:
        c ^= x
        for _ in range(8):
            c = c >> 1 ^ 0xA001 if c & 1 else c >> 1
    return struct.pack("<H", c)


class RTU:
    wrong = "crc"

    @staticmethod
    def request(read):
        return read(8)

    @staticmethod
    def reply(read):
        reply = read(3)
        reply += read(2 if reply[1] & 0x80 else reply[2] + 2)
        return reply[0], reply[1:-2]

    @staticmethod
    def frame(unit, pdu, wrong):
        out = bytes([unit]) + pdu
        out += crc(out)
        return out[:-1] + bytes([out[-1] ^ wrong])


class ASCII:
    wrong = "lrc"

    @staticmethod
    def request(read):
        return read(17)

    @staticmethod
    def reply(read):
        reply = read(7)
        reply += read(4 if reply[3] >= ord("8") else 2 * int(reply[5:7], 16) + 4)
        bare = bytes.fromhex(reply[1:-2].decode())
        return bare[0], bare[1:-1]

    @staticmethod
    def frame(unit, pdu, wrong):
        out = bytes([unit]) + pdu
        out += bytes([-sum(out) & 0xFF ^ wrong])
        return b":" + out.hex().upper().encode() + b"\r\n"


class Terminal:
    """The near side of a serial line: a pseudo-terminal."""

    def __init__(self):
        self.fd, self.client = pty.openpty()
        tty.setraw(self.client)
        self.at = os.ttyname(self.client)

    def read(self, size):
        return read(self.fd, size)

    def write(self, data):
        os.write(self.fd, data)

    def forget(self):
        """Drops the requests that came meanwhile."""
        while select.select([self.fd], [], [], 0)[0]:
            os.read(self.fd, 4096)


class Server:
    """The near side of a serial server: the last client that came."""

    def __init__(self):
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.at = self.listener.getsockname()[1]
        self.changed, self.client = threading.Condition(), None
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            client, _ = self.listener.accept()
            with self.changed:
                self.end()
                self.client = client
                self.changed.notify()

    def end(self, reset=False):
        """Hangs up on the client, if there is one."""
        if self.client:
            if reset:
                self.client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            else:
                try:
                    self.client.shutdown(socket.SHUT_RDWR)
                except OSError:
                    pass
            self.client.close()
            self.client = None

    def read(self, size):
        client, got = None, b""
        while len(got) < size:
            with self.changed:
                self.changed.wait_for(lambda: self.client)
                if client is not self.client:
                    client, got = self.client, b""
            # A client that is replaced does not wake this up, so it looks.
            try:
                if not select.select([client], [], [], 0.02)[0]:
                    continue
                more = client.recv(size - len(got))
            except (OSError, ValueError):
                more = b""
            if not more:
                with self.changed:
                    if client is self.client:
                        self.end()
            got += more
        return got

    def write(self, data):
        with self.changed:
            if self.client:
                try:
                    self.client.sendall(data)
                except OSError:
                    self.end()

    def forget(self):
        self.spoil("close")

    def spoil(self, fault):
        """Ends the client, or keeps it without an answer until another comes."""
        with self.changed:
            if fault == "halfopen":
                mute = self.client
                self.changed.wait_for(lambda: self.client is not mute)
            else:
                self.end(fault == "reset")


def read(fd, size, patience=None):
    """Reads size bytes; returns fewer when none comes for patience seconds."""
    got = b""
    while len(got) < size and select.select([fd], [], [], patience)[0]:
        got += os.read(fd, size - len(got))
    return got


def serve_serial(mix, kind, near, device):
    def from_peer(size):
        got = read(peer, size, 5)
        if len(got) < size:
            raise EOFError(f"the peer sent {got.hex()} to {request.hex()} and no more")
        return got

    peer = os.open(device, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(peer)
    termios.tcflush(peer, termios.TCIOFLUSH)
    print("ok", near.at, flush=True)
    threading.Thread(target=mix.obey, daemon=True).start()
    while True:
        request = kind.request(near.read)
        fault, seconds = mix.draw()
        if fault == "drop":
            continue
        if fault in ("halfopen", "reset", "close"):
            near.spoil(fault)
            continue
        os.write(peer, request)
        try:
            unit, pdu = bend(fault, *kind.reply(from_peer))
        except EOFError as e:
            print(e, file=sys.stderr, flush=True)
            termios.tcflush(peer, termios.TCIOFLUSH)
            near.forget()
            continue
        out = kind.frame(unit, pdu, 1 << random.randint(0, 7) if fault == kind.wrong else 0)
        if fault == "garbage":
            out = random.randbytes(random.randint(1, 40))
        if fault in ("delay", "late"):
            time.sleep(seconds)
        if fault == "split":
            half = random.randint(1, len(out) - 1)
            near.write(out[:half])
            time.sleep(seconds)
            out = out[half:]
        near.write(out)


if sys.stdin.readline() != "serve\n":
    sys.exit("expected serve")
way, over_tcp, _ = sys.argv[1].partition("-over-tcp")
if way == "tcp":
    asyncio.run(serve_tcp(Mix(), sys.argv[2], int(sys.argv[3])))
else:
    serve_serial(Mix(), {"rtu": RTU, "ascii": ASCII}[way], Server() if over_tcp else Terminal(), sys.argv[2])
