#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What people write today: ask a load and a thermometer, keep each sample in SQLite.

  script_today.py LOAD THERMOMETER DATABASE SECONDS-BETWEEN SAMPLES"""

import sqlite3
import sys
import time

import serial

load = serial.Serial(sys.argv[1], 115200, timeout=1)
thermometer = serial.Serial(sys.argv[2], 115200, timeout=1)
period, count = float(sys.argv[4]), int(sys.argv[5])

db = sqlite3.connect(sys.argv[3])
db.execute("CREATE TABLE IF NOT EXISTS sample(t REAL, voltage REAL, current REAL, temperature REAL)")


def ask(port, question):
    port.write(question.encode() + b"\n")
    return port.readline().decode().strip()


begun = time.time()
print("begun", time.process_time(), flush=True)
for i in range(count):
    wait = begun + i * period - time.time()
    if wait > 0:
        time.sleep(wait)
    asked = time.time() - begun
    voltage, current = ask(load, "MEASure:VOLTage?;:MEASure:CURRent?").split(";")
    temperature = ask(thermometer, "MEASure:TEMPerature?")
    t = (asked + time.time() - begun) / 2
    db.execute("INSERT INTO sample VALUES (?, ?, ?, ?)",
               (t, float(voltage), -float(current), float(temperature)))
    db.commit()
    if float(voltage) < 10.0:
        break
print("done", time.process_time(), open("/proc/self/io").read().replace("\n", " "), flush=True)
