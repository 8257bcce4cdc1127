"""What each cab would load before its window: loaded once by the process that the cabs are forked from."""

# ruff: noqa: F401
import gc
import tempfile
from pathlib import Path

import kivy.input
import kivy.uix.anchorlayout
import sqlalchemy.dialects.sqlite
from sqlalchemy.orm import configure_mappers

import cabapp.commands.tablet.cab
import cabapp.screens.system.message_queue
import cabapp.screens.system.screen_registry
import cabapp.screens.widgets.alert_sound
import cabapp.screens.widgets.flash_frame
import cabapp.tablet.ambient_light
import cabapp.tablet.hardware_status
import tests.window.cab_process
import tests.window.probed_program
from cabapp.common.clock import ManualClock
from cabapp.session import Session
from store import models, open_store
from store.db import connection
from tests.shared_dialect import create_sharing_engine

configure_mappers()
# what SQLAlchemy compiled for a first logbook serves those of all cabs
connection.create_engine = create_sharing_engine
with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "logbook.sqlite") as store:
    store.put(models.Farm, name="Farm", timezone="America/Regina", units="us")
    session = Session(store, ManualClock(1_779_000_000.0), None)
    session.choices()
    session.tick()
    for model in (*models.FACTS.values(), *models.REFERENCES.values()):
        store.all(model)
del store, session
gc.collect()
gc.freeze()
