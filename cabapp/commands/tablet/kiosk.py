"""Say how a tablet opens the cab by itself when it is switched on; with --write, do what can be done here."""

import argparse
import os
import shlex
import sys
from pathlib import Path

from cabapp.common.paths import home
from store.errors import Refused

EXAMPLE = "rollbook kiosk --system linux --user cab"

UNIT = """\
[Unit]
Description=Rollbook, the cab's logbook
After=systemd-user-sessions.service
Conflicts=getty@tty1.service
StartLimitIntervalSec=0

[Service]
User={user}
PAMName=login
TTYPath=/dev/tty1
StandardInput=tty
StandardOutput=journal
StandardError=journal
UtmpIdentifier=tty1
Environment=ROLLBOOK_HOME={home}
Environment=SDL_VIDEODRIVER=kmsdrm
ExecStart={program} --fullscreen
Restart=always
RestartSec=1

[Install]
WantedBy=multi-user.target
"""
LINUX = """\
# A Linux tablet or a Raspberry Pi. UNTESTED on a real tablet, a real Pi and a real touch screen:
# only the unit's text is checked. Try it with a keyboard at hand before it goes into a cab.
#
# The cab draws straight to the screen (SDL's kmsdrm), with no desktop and no login: the unit
# below is the login. `{user}` must belong to the groups video, render, input and dialout:
#     sudo usermod -aG video,render,input,dialout {user}
# Write the unit to {path}, then:
#     sudo systemctl daemon-reload
#     sudo systemctl enable --now rollbook.service
#     sudo systemctl set-default multi-user.target     # no desktop beside it
# The logbook then lies in {home}; what goes wrong is in {home}/cab.log
# and in `journalctl -u rollbook`. Closing the cab on its screen only opens it again: that is meant.
# Sticks: the cab notices one that is mounted below /media, /run/media or /mnt. With no desktop
# nothing mounts it; a program such as udiskie can, run as {user} (untested as all of this).
#
# Where there must be a desktop, do not write the unit. Log {user} in by itself (on Raspberry Pi OS
# `sudo raspi-config`, System Options, Boot / Auto Login), and put this into
# ~/.config/autostart/rollbook.desktop:
#     [Desktop Entry]
#     Type=Application
#     Name=Rollbook
#     Exec={program} --fullscreen
#
# Power cut: the logbook is safe; let the file system be too (ext4 with its journal; no eMMC
# write cache switched on by hand).
# Off again:
#     sudo systemctl disable --now rollbook.service
#     sudo systemctl set-default graphical.target

"""
WINDOWS = """\
Windows. UNTESTED, all of it.

1. Make a user for the cab without administrator's rights, and let it log in by itself
   (netplwiz, or "Autologon" of the system's own tools).
2. As that user press Win+R, type shell:startup, and put a shortcut there to
       {program} --fullscreen
3. Settings, System, Power: screen and sleep to Never while plugged in; lid and power key: do nothing.
4. Settings, Notifications: off. Settings, Update: active hours over the working day.
5. Settings, Personalisation, Taskbar: hide it; edge swipes off (Local Group Policy, "Allow edge swipe").
To undo it, take the shortcut away and log out.
"""


def home_of(user: str) -> Path:
    """Return the logbook folder of a user, who is seldom the one that runs this, often root."""
    if os.environ.get("ROLLBOOK_HOME"):
        return home()
    try:
        import pwd

        return Path(pwd.getpwnam(user).pw_dir) / ".rollbook"
    except (ImportError, KeyError):  # no such table, or no such user yet
        return Path("/home") / user / ".rollbook"


class KioskRefused(Refused):
    """The unit cannot be written here."""


def arguments(parser: argparse.ArgumentParser) -> None:
    here = "windows" if sys.platform == "win32" else "linux"
    parser.add_argument("--system", choices=("linux", "windows"), default=here, help=f"which tablet (default: {here})")
    parser.add_argument("--user", default=os.environ.get("USER") or "cab", help="who the cab runs as")
    parser.add_argument(
        "--program", default=None, metavar="FILE", help="the rollbook program (default: the one running)"
    )
    parser.add_argument(
        "--path", type=Path, default=Path("/etc/systemd/system/rollbook.service"), help="where the unit goes"
    )
    parser.add_argument("--write", action="store_true", help="write the unit; without it everything is only printed")


def run(args: argparse.Namespace) -> int:
    """Print the notes and the unit; with --write, write the unit."""
    program = args.program or str(Path(sys.executable).with_name("rollbook"))
    if args.system == "windows":
        if args.write:
            raise KioskRefused("On Windows nothing is written; the steps are done by hand. Leave out --write.")
        print(WINDOWS.format(program=f'"{program}"'))
        return 0
    folder = home_of(args.user)
    unit = UNIT.format(user=args.user, home=folder, program=shlex.quote(program))
    print(LINUX.format(user=args.user, path=args.path, program=program, home=folder) + unit)
    if not args.write:
        print("# Nothing was written. Add --write to write the unit.")
        return 0
    try:
        args.path.write_text(unit, encoding="utf-8")
    except OSError as fault:
        raise KioskRefused(
            "{path} cannot be written ({why}). Run it as root, or name another file with --path.",
            path=args.path,
            why=fault.strerror,
        ) from fault
    print(f"# Written to {args.path}.")
    return 0
