"""A stint without a screen: taps and fixes in, a ``View`` out. All rules of the cab live here."""

from cabapp.session.session import Session
from cabapp.session.state.view import View

__all__ = ["Session", "View"]
