"""The page for the phone of whoever sits in the car, and for any screen in the shop."""

from importlib import import_module
from typing import TYPE_CHECKING

from logger.page.settings import PageSettings
from logger.page.views import Results, Standing

if TYPE_CHECKING:
    from logger.page.server import Page

__all__ = ["Page", "PageSettings", "Results", "Standing"]


def __getattr__(name: str) -> object:
    """Bring the server in only when it is asked for: settings are read by every start, starlette is not."""
    if name == "Page":
        return import_module("logger.page.server").Page
    raise AttributeError(name)
