"""A mail server by aiosmtpd 1.4, for tests.

usage: smtp_peer.py starttls|tls|none [CERTIFICATE KEY [USER PASSWORD]]

Standard input has one command a line; each is answered with "ok".
  serve              begins to serve on 127.0.0.1; answered with the port
  answer VERB CODE   answers RCPT or DATA with the code from now on; 250 takes them
  messages           answered with those that were taken, as Python's email reads them, in one line of JSON
With a user nobody else may send. The end of standard input ends the program.
"""
import asyncio
import email
import email.policy
import json
import ssl
import sys

from aiosmtpd.smtp import SMTP, AuthResult

mode, files, login = sys.argv[1], sys.argv[2:4], sys.argv[4:6]
codes = {"RCPT": "250", "DATA": "250"}
messages = []


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if codes["RCPT"] == "250":
            envelope.rcpt_tos.append(address)
        return codes["RCPT"] + " as the test says"

    async def handle_DATA(self, server, session, envelope):
        if codes["DATA"] == "250":
            parsed = email.message_from_bytes(envelope.content, policy=email.policy.default)
            messages.append({
                "subject": parsed["Subject"], "sender": parsed["From"].addresses[0].display_name, "body": parsed.get_content(),
                "from": envelope.mail_from, "to": envelope.rcpt_tos, "text": envelope.content.decode("ascii"),
                "tls": mode == "tls" or session.ssl is not None})
        return codes["DATA"] + " as the test says"


def authenticate(server, session, envelope, mechanism, data):
    # Not handled: aiosmtpd then writes the answer itself.
    return AuthResult(success=[data.login.decode(), data.password.decode()] == login, handled=False)


async def serve():
    context = None
    if files:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(*files)
    starttls = mode == "starttls"
    server = await asyncio.get_running_loop().create_server(
        lambda: SMTP(
            Handler(), hostname="peer.example", tls_context=context if starttls else None, require_starttls=starttls,
            authenticator=authenticate if login else None, auth_required=bool(login), auth_require_tls=starttls),
        "127.0.0.1", 0, ssl=context if mode == "tls" else None)
    return server.sockets[0].getsockname()[1]


async def main():
    lines = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(lines), sys.stdin)
    while line := (await lines.readline()).decode().split():
        if line == ["serve"]:
            print("ok", await serve(), flush=True)
        elif line[0] == "answer":
            codes[line[1]] = line[2]
            print("ok", flush=True)
        else:
            print("ok", json.dumps(messages), flush=True)


asyncio.run(main())
