"""Choices made by hand, written down: into decisions.toml of the campaign, or refused with what is wrong."""

import os
from collections.abc import Callable
from pathlib import Path

from cordlab.campaign.campaign import Campaign, CampaignError, read_campaign
from cordlab.campaign.decisions import FILE, LeftOut, Mark, settled, taken_back
from cordlab.campaign.files import Folder, replacing


def record_decision(folder: str | Path, decision: Mark | LeftOut) -> Campaign:
    """Adds a choice to decisions.toml and gives the campaign with it; one about the same drop or cord is replaced.

    What the file holds is kept; the choice that is replaced becomes a comment. Raises CampaignError, with every
    problem, where the campaign would not be sound with it: then nothing is written.
    """
    return _rewrite(folder, lambda content: settled(content, decision))


def take_back(folder: str | Path, decision: Mark | LeftOut, *, reason: str) -> Campaign:
    """Makes a choice of decisions.toml a comment, with the reason, and gives the campaign without it.

    Raises CampaignError, and writes nothing, where there is no such choice or the reason is empty.
    """
    return _rewrite(folder, lambda content: taken_back(content, decision, reason))


def _rewrite(folder: str | Path, change: Callable[[str], str]) -> Campaign:
    path = Path(folder) / FILE
    before = _bytes(path)
    if before:
        read_campaign(folder)  # what is there is sound, or its problems are told
    changed = change(before.decode("utf-8-sig").replace("\r\n", "\n")).encode()
    campaign = read_campaign(folder, instead={FILE: changed})
    if _bytes(path) != before:
        raise CampaignError((f"{FILE}: has changed meanwhile, nothing was written; try again",))
    try:
        with replacing(path) as part:
            part.write_bytes(changed)
    except OSError as error:
        raise CampaignError((f"{FILE}: cannot be written ({error.strerror})",)) from error
    return campaign


def _bytes(path: Path) -> bytes:
    """What the file holds now, nothing where there is none. Raises CampaignError where it cannot be read."""
    if not os.path.lexists(path):
        return b""
    folder = Folder(path.parent)
    data = folder.read(path.name)
    if data is None:
        raise CampaignError(tuple(folder.problems))
    return data
