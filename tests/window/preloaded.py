"""What each cab would load before its window: loaded once by the process that the cabs are forked from."""

# ruff: noqa: F401
import gc

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

configure_mappers()
gc.collect()
gc.freeze()
