"""What stays while the page changes under one's hands, in a real Chromium: typing, choices, focus, lines.

Answers come while somebody types, other windows say other things, and buttons go when they were pressed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from playwright.sync_api import expect

from .chromium import Visitors
from .test_browser_losses import begun

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from .conftest import LivePage


# --- lines to the program -------------------------------------------------------------------------------------


def test_windows_behind_others_leave_room_for_this_one(page: LivePage, visit: Visitors) -> None:
    """As many as a browser has lines to one program, opened but not yet looked at."""
    opened = visit(page.url)
    begun(opened)
    behind: list[Page] = []
    for _ in range(6):
        behind.append(opened.context.new_page())
        behind[-1].add_init_script("Object.defineProperty(document, 'hidden', {get: () => true})")
        behind[-1].goto(page.url)
    opened.reload()
    begun(opened)
