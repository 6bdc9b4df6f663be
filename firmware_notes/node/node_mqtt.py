# The little of MQTT 3.1.1 that a node needs, over a plain socket: connect with a last will, publish with
# receipt (QoS 1), listen on one topic. Never waits for an answer: `turn` is called from the program's loop.
#
# With "ca_file" in the settings the connection is inside TLS (node_tls.py). Without it, whoever is on the same
# network can read the password and imitate the node.

import select
import socket

_CONNECT, _CONNACK, _PUBLISH, _PUBACK = 0x10, 0x20, 0x30, 0x40
_SUBSCRIBE, _PINGREQ = 0x82, 0xC0

#: A connection that is not there after so long never will be. [ms]
OPEN_MS = 5000

#: Each step of the TLS handshake may take so long; the watchdog gives 8 s. [s]
HANDSHAKE_S = 3

_UNDER_WAY = (115, 119, 36)  # "in progress", as the systems number it

MAX_PACKET = 2048  # larger ones from the broker are not for us


def _text(words):
    raw = words.encode() if isinstance(words, str) else words
    return bytes((len(raw) >> 8, len(raw) & 255)) + raw


def _packet(first, body):
    head = bytes((first,))
    left = len(body)
    while True:
        byte = left & 127
        left >>= 7
        head += bytes((byte | (128 if left else 0),))
        if not left:
            return head + body


class LinkLost(Exception):
    pass


class Mqtt:
    """One connection at a time. ``settings``: host, port, user, password, prefix, keepalive_s."""

    def __init__(self, name, settings):
        self.name = name
        self._settings = settings
        self._prefix = settings.get("prefix", "boilwitness")
        self._keepalive_s = settings.get("keepalive_s", 5)
        self._socket = None
        self._poll = None
        self._held = b""
        self._packet_id = 0
        self._sent_ms = 0
        self._heard_ms = 0
        self._opening = False
        self.ready = False  # the broker has said welcome
        self.unacked = {}  # packet number -> what the caller gave with it

    @property
    def connected(self):
        return self._socket is not None

    def connect(self, now_ms):
        """Begin to open the connection; `turn` goes on with it. Raises OSError when that cannot be."""
        self.close()
        settings = self._settings
        # A name may take seconds to look up, and no sample is taken meanwhile: give the broker's number.
        address = socket.getaddrinfo(settings["host"], settings.get("port", 1883), 0, socket.SOCK_STREAM)[0][-1]
        link = socket.socket()
        link.setblocking(False)
        try:
            link.connect(address)
        except OSError as trouble:
            if trouble.args[0] not in _UNDER_WAY:
                link.close()
                raise
        self._socket = link
        self._poll = select.poll()
        self._poll.register(link, select.POLLOUT)
        self._opening = True
        self._held = b""
        self._sent_ms = self._heard_ms = now_ms

    def _opened(self, now_ms):
        """Say hello as soon as the connection is there."""
        events = self._poll.poll(0)
        if not events:
            if now_ms - self._heard_ms > OPEN_MS:
                self.close()
                raise LinkLost("nobody answers")
            return
        if events[0][1] & (select.POLLERR | select.POLLHUP):
            self.close()
            raise LinkLost("nobody is there")
        self._opening = False
        settings = self._settings
        if settings.get("ca_file"):
            self._secure(settings)
        else:
            self._poll.modify(self._socket, select.POLLIN)
            self._socket.settimeout(1)
        flags = 0x02 | 0x04 | 0x08 | 0x20  # clean session, will, will with receipt, will retained
        tail = _text(self.name) + _text(self._topic("presence")) + _text("offline")
        if settings.get("user"):
            flags |= 0x80
            tail += _text(settings["user"])
            if settings.get("password"):
                flags |= 0x40
                tail += _text(settings["password"])
        keepalive = bytes((self._keepalive_s >> 8, self._keepalive_s & 255))
        self._send(_packet(_CONNECT, _text("MQTT") + b"\x04" + bytes((flags,)) + keepalive + tail), now_ms)

    def _secure(self, settings):
        from node_tls import TlsLink  # boards without TLS never come here

        self._socket.settimeout(HANDSHAKE_S)
        try:
            # Its name, or its number, must stand in the broker's certificate.
            self._socket = TlsLink(self._socket, settings["host"], settings["ca_file"])
        except (OSError, ValueError) as trouble:
            self.close()
            raise LinkLost("TLS does not come about: %s" % trouble)
        self._poll = select.poll()
        self._poll.register(self._socket.pollable, select.POLLIN)

    def _topic(self, word):
        return "%s/%s/%s" % (self._prefix, self.name, word)

    def publish(self, word, payload, now_ms, note=None, retain=False):
        """Publish with receipt; ``note`` stays in ``unacked`` until the broker has answered."""
        self._packet_id = self._packet_id % 65535 + 1
        number = bytes((self._packet_id >> 8, self._packet_id & 255))
        self.unacked[self._packet_id] = note
        first = _PUBLISH | 0x02 | (0x01 if retain else 0)
        self._send(_packet(first, _text(self._topic(word)) + number + payload), now_ms)

    def turn(self, now_ms):
        """Take in what has come, keep the link alive. Returns payloads heard on ``ask``. Raises LinkLost."""
        heard = []
        if self._opening:
            self._opened(now_ms)
            return heard
        while self._socket is not None and self._poll.poll(0):
            self._receive(heard, now_ms)
        if self._socket is not None:
            self._keep_alive(now_ms)
        return heard

    def _receive(self, heard, now_ms):
        while self._socket is not None:
            try:
                piece = self._socket.recv(512)
            except OSError:
                piece = b""
            if piece is None:
                return
            if not piece:
                self.close()
                raise LinkLost("the broker hung up")
            self._heard_ms = now_ms
            self._held += piece
            self._take(heard, now_ms)
            if not self._settings.get("ca_file"):
                return
            # TLS may hold bytes that the network no longer shows: until it says that nothing is there.

    def _keep_alive(self, now_ms):
        limit_ms = self._keepalive_s * 1000
        if now_ms - self._heard_ms > 2 * limit_ms:
            self.close()
            raise LinkLost("the broker does not answer")
        if now_ms - self._sent_ms > limit_ms // 2:
            self._send(bytes((_PINGREQ, 0)), now_ms)

    def _take(self, heard, now_ms):
        while len(self._held) >= 2:
            length = shift = 0
            at = 1
            while True:
                if at >= len(self._held):
                    return
                byte = self._held[at]
                length |= (byte & 127) << shift
                shift += 7
                at += 1
                if not byte & 128:
                    break
                if shift > 21:
                    self.close()
                    raise LinkLost("what comes is no MQTT")
            if length > MAX_PACKET:
                self.close()
                raise LinkLost("a packet too large for a node")
            if len(self._held) < at + length:
                return
            first, body = self._held[0], self._held[at : at + length]
            self._held = self._held[at + length :]
            self._packet_in(first, body, heard, now_ms)

    def _packet_in(self, first, body, heard, now_ms):
        kind = first & 0xF0
        if kind == _CONNACK:
            if len(body) < 2 or body[1] != 0:
                self.close()
                raise LinkLost("the broker refuses us (code %d)" % (body[1] if len(body) > 1 else -1))
            self.ready = True
            self._packet_id = self._packet_id % 65535 + 1
            number = bytes((self._packet_id >> 8, self._packet_id & 255))
            self._send(_packet(_SUBSCRIBE, number + _text(self._topic("ask")) + b"\x01"), now_ms)
            self.publish("presence", b"online", now_ms, None, True)
        elif kind == _PUBACK and len(body) >= 2:
            self.unacked.pop(body[0] << 8 | body[1], None)
        elif kind == _PUBLISH and len(body) >= 2:
            at = 2 + (body[0] << 8 | body[1])
            if first & 0x06:
                self._send(_packet(_PUBACK, body[at : at + 2]), now_ms)
                at += 2
            heard.append(body[at:])

    def _send(self, data, now_ms):
        try:
            while data:
                sent = self._socket.send(data)
                data = data[sent or 0 :]
        except OSError:
            self.close()
            raise LinkLost("the link broke while sending")
        self._sent_ms = now_ms

    def close(self):
        """Drop the link without a word; what was not acknowledged stays in ``unacked`` for the caller."""
        self.ready = self._opening = False
        if self._socket is not None:
            try:
                self._socket.close()
            except OSError:
                pass
            self._socket = None
