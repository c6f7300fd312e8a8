"""`halfshaft dashboard`: the web page, served from this machine."""

import argparse

LOOPBACK = ("127.0.0.1", "localhost", "::1")
WILDCARDS = ("0.0.0.0", "::")
DEFAULT_PORT = 8050


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument(
        "--logbook", metavar="DIR", default="logbook", help="folder of logs and runs (default %(default)s)"
    )
    parser.add_argument(
        "--make-logbook", action="store_true", help="make the logbook in a folder that holds other files; they stay"
    )
    parser.add_argument("--port", metavar="N", type=int, default=DEFAULT_PORT, help="port (default %(default)s)")
    parser.add_argument(
        "--host",
        metavar="NAME",
        default="127.0.0.1",
        help="address to listen on; anything but this machine's own (default %(default)s) lets others in",
    )


def run(arguments: argparse.Namespace) -> int:
    """Serve until interrupted. Returns the exit status.

    Raises
    ------
    InputError : the logbook folder cannot be made, or host or port cannot be used.
    """
    import signal
    import sys

    from analyzer.errors import InputError
    from analyzer.logbook.store import Store
    from dashboards.app import create_app, own_hosts
    from dashboards.serving import make_server

    host, port = arguments.host.removeprefix("[").removesuffix("]"), arguments.port  # as an address writes IPv6
    if not 0 <= port <= 65535:
        raise InputError(f"--port is {port}; allowed: 0 to 65535 (0 takes a free one). Choose another.")
    local = host in LOOPBACK
    if not local:
        print(
            f"halfshaft dashboard: WARNING: {host} is open to other machines. Anyone who reaches this port can read "
            "and add logs; there is no password. Use it only on a network you trust.",
            file=sys.stderr,
        )
    if arguments.make_logbook:
        Store(arguments.logbook, make_here=True).close()
    app = create_app(arguments.logbook, hosts=() if local else own_hosts(host))
    try:
        server = make_server(app.server, host=host, port=port)
    except (OSError, ValueError) as error:  # ValueError: a name that means no address
        why = getattr(error, "strerror", None) or str(error).rstrip(".")
        raise InputError(
            f"--host {host} --port {port}: cannot be listened on ({why}); choose another port or host."
        ) from None
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    # a name with several addresses gets several sockets
    port = server.effective_listen[0][1] if hasattr(server, "effective_listen") else server.effective_port
    shown = "localhost" if host in WILDCARDS else host  # nobody can ask for all addresses at once
    address = f"[{shown}]" if ":" in shown else shown
    print(f"halfshaft dashboard: http://{address}:{port}  (logbook: {arguments.logbook}; Ctrl-C ends it)", flush=True)
    try:
        server.run()
    except KeyboardInterrupt:
        return 0
    finally:
        app.halfshaft_jobs.close()
    return 0
