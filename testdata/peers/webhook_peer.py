"""A web server of Python's own library that checks signed webhooks, for tests.

usage: webhook_peer.py SECRET [CERTIFICATE KEY]

Standard input has one command a line; each is answered with "ok".
  serve                    begins to serve on 127.0.0.1; answered with the port
  answer CODE [NAME VALUE] answers with the code and a header from now on; 200 takes events
  events                   answered with those that were taken, in one line of JSON
The signature is checked by Python's hmac, as the specification Standard Webhooks
1.0 has it: a wrong one, or a time over five minutes away, is answered with 401.
"""
import base64
import hashlib
import hmac
import json
import ssl
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

key = base64.b64decode(sys.argv[1].removeprefix("whsec_"))
answer = ["200"]
events = []


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def genuine(self, body):
        sent, at = self.headers["webhook-id"], self.headers["webhook-timestamp"]
        mac = hmac.new(key, f"{sent}.{at}.".encode() + body, hashlib.sha256).digest()
        want = "v1," + base64.b64encode(mac).decode()
        return hmac.compare_digest(want, self.headers["webhook-signature"]) and abs(time.time() - int(at)) < 300

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        code, *header = answer
        if not self.genuine(body):
            code = "401"
        elif code == "200":
            events.append({"id": self.headers["webhook-id"], "path": self.path, "type": self.headers["Content-Type"], "body": body.decode()})
        self.send_response(int(code))
        if header:
            self.send_header(*header)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_):
        pass


server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
server.daemon_threads = True
if len(sys.argv) > 2:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(sys.argv[2], sys.argv[3])
    server.socket = context.wrap_socket(server.socket, server_side=True)

for line in sys.stdin:
    words = line.split()
    if words == ["serve"]:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        print("ok", server.server_port, flush=True)
    elif words[0] == "answer":
        answer = words[1:]
        print("ok", flush=True)
    else:
        print("ok", json.dumps(events), flush=True)
