"""The page of the installed command answers, with all that it needs, from a folder that is not the source.

usage: check_dashboard.py HALFSHAFT LOGBOOK
"""

import re
import signal
import subprocess
import sys
import urllib.request

halfshaft, logbook = sys.argv[1:]
line = [halfshaft, "dashboard", "--port", "0", "--logbook", logbook]
server = subprocess.Popen(line, stdout=subprocess.PIPE, text=True)
try:
    address = server.stdout.readline().split()[2]

    def asked(path: str) -> bytes:
        with urllib.request.urlopen(address + path, timeout=60) as answer:
            return answer.read()

    page = asked("/").decode()
    parts = re.findall(r'(?:src|href)="(/[^"]+)"', page)
    if "halfshaft" not in page or not any(".css" in part for part in parts):
        sys.exit("the page came without its name or without its style")
    for path in ["/_dash-layout", "/_dash-dependencies", "/guide/user", "/guide/theory", *parts]:
        if not asked(path):
            sys.exit(f"{path}: empty")
finally:
    server.send_signal(signal.SIGTERM)
if server.wait(timeout=20) != 0:
    sys.exit(f"the server ended with {server.returncode}")
print(f"the dashboard answers: its page and {len(parts)} files that the page asks for")
