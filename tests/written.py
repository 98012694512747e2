"""The files of an invented campaign, written as text: heads as cordlab reads them, lines by whoever invents."""

from collections.abc import Iterable, Mapping
from pathlib import Path

CORDS = "cord,slack length [m],u(slack length) [m],cord mass [kg],u(cord mass) [kg],jumps"
DROPS = "drop,cord,mass [kg],u(mass) [kg],jumps,temperature [degC],use,lowest point [m],u(lowest point) [m],record"
RECORD = "time [s],force [mV/V],distance [V]"
CALIBRATION = {
    "force": "run,reference [N],u(reference) [N],reading [mV/V]",
    "distance": "run,reference [m],u(reference) [m],reading [V]",
}


def table(head: str, lines: Iterable[str]) -> str:
    return "".join(f"{line}\n" for line in (head, *lines))


def write(folder: Path, toml: str, cords: Iterable[str], drops: Iterable[str], others: Mapping[str, str]) -> Path:
    """A campaign of these lines and other files, path in `folder` → text; gives the folder."""
    files = {"campaign.toml": toml, "cords.csv": table(CORDS, cords), "drops.csv": table(DROPS, drops), **others}
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(content, encoding="utf-8", newline="")
    return folder
