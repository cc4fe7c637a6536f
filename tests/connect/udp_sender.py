"""A simulator that sends datagrams, written from the layout in configs/channels-udp.toml by `struct` alone.

It is run as a program of its own and imports nothing of the project: udp_sender.py HOST PORT FRAMES CARS EVERY_S FIRST.
"""

import math
import socket
import struct
import sys
import time

HEAD = struct.Struct("<IHHI4xd2d8f4Bf")
CAR = struct.Struct("<if2d5f4x")


def packet(frame: int, cars: int) -> bytes:
    t = frame / 240
    speed = 22.0
    head = HEAD.pack(
        0x52494447,
        3,
        cars,
        frame,
        t,
        speed * t,  # pos
        -1.75,
        0.0,  # yaw, deg
        speed * 3.6,  # km/h
        0.25,  # accel
        math.degrees(0.01),
        0.125,
        math.degrees(0.02),
        31.25,  # gas, %
        0.0,
        1,
        int(frame >= 60),  # event: the trigger in frame 60
        int(frame >= 90),
        int(30 <= frame < 120),
        speed * t,
    )
    rows = [
        CAR.pack(100 + n, 40.0 + 10 * n + speed * t, 40.0 + 10 * n + speed * t, -1.75, 0.0, 79.2, -0.5, 4.5, 1.75)
        for n in range(cars)
    ]
    return head + b"".join(rows)


def main() -> None:
    host, port, frames, cars, every_s, first = sys.argv[1:7]
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
    sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("127.0.0.1"))
    begun = time.monotonic()
    for frame in range(int(first), int(first) + int(frames)):
        due = begun + (frame - int(first)) * float(every_s)
        time.sleep(max(0.0, due - time.monotonic()))
        sender.sendto(packet(frame, int(cars)), (host, int(port)))


if __name__ == "__main__":
    main()
