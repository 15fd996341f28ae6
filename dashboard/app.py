"""Coverplate's dashboard as a server: the pages behind their guard. ``coverplate dashboard``."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import streamlit as st
from starlette.middleware import Middleware

from dashboard.components import uploads
from dashboard.guard import Guard, token_of


@asynccontextmanager
async def _running(_app: st.App) -> AsyncIterator[None]:
    """Uploads that a run that was killed left behind go at the start, this run's own at its end."""
    uploads.sweep()
    yield
    uploads.forget_all()


app = st.App(
    "navigation.py",
    lifespan=_running,
    middleware=[Middleware(Guard, token=token_of(st.get_option("server.address")))],
)
