"""Gives the unmodified firmware power, in a simulated world; the line is descriptors 0 and 1.

With MICROPYPATH=$PWD/tests/pins:$PWD/shared:$PWD/firmware:.frozen:
micropython tests/pins/power_on.py FOLDER. The folder is the board's file system and holds scene.json;
meter.json says at the end how the time was spent.
"""

import gc
import json
import os
import select
import sys
import time

import micropython

from world import POLL_US, World

world = None  # where the board stands


class Stand:
    """A module in place of another: its names, but for those that are given anew."""

    def __init__(self, original, **new):
        for name in dir(original):
            setattr(self, name, getattr(original, name))
        for name, value in new.items():
            setattr(self, name, value)


class Poll:
    """select.poll() in the world's time: what is waited for nothing passes at once, or really
    once the scene says so."""

    def __init__(self):
        self._real = select.poll()

    def register(self, stream, what):
        self._real.register(stream, what)

    def poll(self, wait_ms):
        world.advance(POLL_US)
        found = self._real.poll(0)
        if not found and wait_ms:
            world.advance(1000.0 * wait_ms, "idle")
            if world.ms >= world.scene["free_ms"]:
                found = self._real.poll(wait_ms)
        for one in found:
            if one[1] == select.POLLHUP:
                world.off("the line is gone")
        return found


def sleep_us(us):
    world.waited_us = us
    world.advance(us)


def power_on(folder):
    global world
    os.chdir(folder)
    with open("scene.json") as file:
        world = World(json.load(file))
    modules = sys.modules
    modules["time"] = Stand(time, ticks_ms=lambda: int(world.ms) & 0x3FFFFFFF, sleep_us=sleep_us)
    modules["select"] = Stand(select, poll=Poll)
    modules["micropython"] = Stand(micropython, kbd_intr=lambda byte: None)
    modules["os"] = Stand(os, uname=lambda: Uname(world.scene["platform"]))
    modules["sys"] = Stand(sys, platform=world.scene["board"])
    # Only now: what of the firmware it imports must find the modules above.
    import machine

    machine.world = world
    gc.collect()
    world.own_bytes = gc.mem_alloc()
    import main

    main.run()

    world.off("released")


class Uname:
    def __init__(self, machine_name):
        self.machine = machine_name


if __name__ == "__main__":
    power_on(sys.argv[1])
