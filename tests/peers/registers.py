"""A meter of a few lines of sockets: Modbus TCP over an image of bytes that somebody else encoded."""
import socketserver
import struct
import threading


class Meter(socketserver.ThreadingTCPServer):
    """Registers behind function 3; an exception 2 for whatever else is asked."""
    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, base, image):
        self.base, self.image = base, image
        super().__init__(("127.0.0.1", 0), Answer)
        threading.Thread(target=self.serve_forever, daemon=True).start()


class Answer(socketserver.BaseRequestHandler):
    """One connection."""

    def handle(self):
        while len(head := self.request.recv(12, 0x100)) == 12:  # MSG_WAITALL
            transaction, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", head)
            start = (address - self.server.base) * 2
            data = self.server.image[start:start + 2 * count] if start >= 0 else b""
            if function == 3 and len(data) == 2 * count:
                pdu = bytes([3, 2 * count]) + data
            else:
                pdu = bytes([function | 0x80, 2])
            self.request.sendall(struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu)
