"""`dncd` over a share that hangs from the moment a certain file is there: each look at a folder, and each STATUS.txt, waits
for ever, as on a mount whose server has gone. Arguments: that file, then the words of `dncd`."""

import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dncd.cli import main
from dncd.outside import folders
from dncd.records.shop_folders import ShopFolders


def hanging(work: Callable[..., Any], sign: Path) -> Callable[..., Any]:
    def done(*given: Any) -> Any:
        if sign.exists():
            sign.with_name(work.__name__).touch()  # it hangs now
            threading.Event().wait()
        return work(*given)

    return done


if __name__ == "__main__":
    sign = Path(sys.argv[1])
    folders.plain_files = hanging(folders.plain_files, sign)
    ShopFolders.write_status = hanging(ShopFolders.write_status, sign)  # type: ignore[method-assign]
    sys.exit(main(sys.argv[2:]))
