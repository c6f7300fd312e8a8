"""Every file of the packages is in the wheel, and nothing else: what is missing there, a user does not have.

usage: check_wheel.py SOURCE WHEEL
"""

import sys
import zipfile
from pathlib import Path

source, wheel = Path(sys.argv[1]), sys.argv[2]
PACKAGES = ("analyzer", "dashboards", "sample_logs")
NOT_SHIPPED = {"sample_logs/report.png", "sample_logs/decisive.png"}  # the README's pictures
there = {
    path.relative_to(source).as_posix()
    for package in PACKAGES
    for path in (source / package).rglob("*")
    if path.is_file() and "__pycache__" not in path.parts
} - NOT_SHIPPED
shipped = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
if there != shipped:
    missing, more = sorted(there - shipped), sorted(shipped - there)
    sys.exit(f"the wheel lacks {missing} and has besides {more}; see [tool.setuptools] in pyproject.toml")
print(f"the wheel has all {len(shipped)} files of {', '.join(PACKAGES)}")
