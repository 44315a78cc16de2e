"""An example or two for each command, shown under its help and in its manual page."""

from typing import Final

EXAMPLES: Final = {
    "backup": "dncd backup gang-lathe",
    "check-config": "dncd --config shop.toml check-config",
    "completion": "dncd completion bash > /usr/share/bash-completion/completions/dncd",
    "demo": "dncd demo --keep /tmp/demo",
    "diff": "dncd diff gang-lathe O0004\ndncd diff gang-lathe O0004 -r 2 -r 5",
    "go": "dncd go gang-lathe",
    "holds": "dncd holds gang-lathe --at '2026-07-01 14:30'",
    "line find": "dncd line find gang-lathe",
    "line ports": "dncd line ports",
    "line replay": "dncd line replay watched.txt --machine gang-lathe",
    "line setup": "dncd line setup gang-lathe.toml",
    "line test": "dncd line test gang-lathe",
    "line trial": "dncd line trial gang-lathe",
    "line watch": "dncd line watch gang-lathe --record watched.txt",
    "line wiring": "dncd line wiring gang-lathe",
    "log": "dncd log gang-lathe --since 2026-07-01 --event damaged\ndncd log --follow",
    "next": "dncd next gang-lathe 0005.nc",
    "programs": "dncd programs gang-lathe\ndncd programs gang-lathe --sheet -o door.html",
    "prove": "dncd prove gang-lathe O0004 --note 'order 1187, first part measured'",
    "reload": "dncd reload",
    "report": "dncd report",
    "request": "dncd request gang-lathe",
    "restore": "dncd restore gang-lathe --at '2026-07-01 14:30' -o memory.nc",
    "run": "dncd --config shop.toml run",
    "send": "dncd send gang-lathe 0004.nc\ndncd show gang-lathe O0004 -r 3 | dncd send gang-lathe - --name 0004.nc\n"
    "dncd send --again 20 gang-lathe 0004.nc",
    "show": "dncd show gang-lathe O0004 -r 3",
    "standin": "dncd standin --profile iso-tape --link /tmp/lathe",
    "status": "dncd status --follow",
    "tidy": "dncd tidy",
    "unit": "dncd unit --into /\ndncd unit dncd.toml",
    "verify": "dncd verify",
    "withdraw": "dncd withdraw gang-lathe 0004.nc",
}
