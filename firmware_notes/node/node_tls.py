# A connection inside TLS. The broker's certificate is always checked, against the one authority in a file on the
# board: without that check anybody on the network could be the broker.
#
# The handshake holds a small board up for one to three seconds, and no sample is taken meanwhile; it happens
# once a connection. Needs the board's `ssl` with SSLContext (MicroPython 1.22 or later, with mbedTLS).

import binascii
import select
import ssl

#: "Nothing there now", as MicroPython (EAGAIN) and Python (want read, want write) number it.
_NOT_NOW = (11, 2, 3)

#: A broker that takes nothing is given up after so many waits of so long. [ms]
SEND_WAITS, SEND_WAIT_MS = 50, 20


def certificate(pem):
    """The bytes of the first certificate in a PEM file (RFC 7468)."""
    begin = pem.find(b"-----BEGIN CERTIFICATE-----")
    end = pem.find(b"-----END CERTIFICATE-----")
    if begin < 0 or end < begin:
        raise ValueError("no certificate in PEM form")
    lines = pem[begin:end].split(b"\n")[1:]
    return binascii.a2b_base64(b"".join([line.strip() for line in lines]))


class TlsLink:
    """As a socket that never waits: ``recv`` gives None when nothing is there, b"" at the end."""

    def __init__(self, link, host, ca_file):
        with open(ca_file, "rb") as held:
            authority = certificate(held.read())
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(cadata=authority)
        self._socket = context.wrap_socket(link, server_hostname=host)
        self._socket.setblocking(False)
        self._out = select.poll()
        self._out.register(self._socket, select.POLLOUT)
        self.pollable = self._socket

    def recv(self, count):
        try:
            return self._socket.read(count)
        except OSError as trouble:
            if trouble.args[0] in _NOT_NOW:
                return None
            raise

    def send(self, data):
        for _ in range(SEND_WAITS):
            try:
                sent = self._socket.write(data)
            except OSError as trouble:
                if trouble.args[0] not in _NOT_NOW:
                    raise
                sent = None
            if sent:
                return sent
            self._out.poll(SEND_WAIT_MS)
        raise OSError(110)

    def close(self):
        self._socket.close()
