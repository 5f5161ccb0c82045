"""Make a UF2 file of the RP2040's program, and copy it to a chip that shows itself as a drive.

The boot ROM runs the first 256 bytes of flash only if the last four of them are the CRC-32 of the
others (RP2040 data sheet, 2.8.1.3.1): that is put in here. The file's form is Microsoft's UF2
(github.com/microsoft/uf2): blocks of 512 bytes with 256 of program each.

    python3 uf2.py rp2040.elf --out firmware.uf2
    python3 uf2.py rp2040.elf --out firmware.uf2 --drive /media/you/RPI-RP2
"""

from __future__ import annotations

import argparse
import struct
import sys
from pathlib import Path

EM_ARM = 40
FLASH = range(0x10000000, 0x11000000)
FAMILY = 0xE48BFF56
BLOCK_BYTES = 256
DRIVE_NAME = "RPI-RP2"


class WrongFileError(Exception):
    """The program or the drive is for another chip; the message says what to do."""


def crc32_mpeg2(data: bytes) -> int:
    """CRC, polynomial 0x04C11DB7, start 0xFFFFFFFF, not reflected; of "123456789" 0x0376E6E7."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return crc


def flash_image(elf: bytes) -> bytes:
    """Give what goes to flash from its start on, the first 256 bytes with their CRC."""
    if elf[:6] != b"\x7fELF\x01\x01" or struct.unpack_from("<H", elf, 18)[0] != EM_ARM:
        raise WrongFileError("this program is not for an RP2040: make it with 'make rp2040'")
    at, size, count = (
        struct.unpack_from("<I", elf, 28)[0],
        *struct.unpack_from("<HH", elf, 42),
    )
    image = bytearray()
    for number in range(count):
        kind, offset, _, address, length = struct.unpack_from("<IIIII", elf, at + number * size)
        if kind != 1 or length == 0:
            continue
        if address not in FLASH:
            raise WrongFileError(f"part of this program belongs at {address:#x}, not in flash")
        end = address - FLASH.start + length
        image.extend(b"\xff" * (end - len(image)))
        image[address - FLASH.start : end] = elf[offset : offset + length]
    if not any(image[:BLOCK_BYTES]) or any(byte not in (0, 0xFF) for byte in image[252:256]):
        raise WrongFileError("this program has no start in its first 252 bytes")
    image[252:256] = struct.pack("<I", crc32_mpeg2(bytes(image[:252])))
    return bytes(image)


def uf2(image: bytes) -> bytes:
    """Cut an image of the flash into blocks."""
    total = -(-len(image) // BLOCK_BYTES)
    out = bytearray()
    for number in range(total):
        piece = image[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES].ljust(BLOCK_BYTES, b"\xff")
        head = struct.pack(
            "<IIIIIIII",
            0x0A324655,
            0x9E5D5157,
            0x00002000,
            FLASH.start + number * BLOCK_BYTES,
            BLOCK_BYTES,
            number,
            total,
            FAMILY,
        )
        out += head + piece.ljust(476, b"\0") + struct.pack("<I", 0x0AB16F30)
    return bytes(out)


def copy_to_drive(blocks: bytes, drive: str) -> None:
    """Copy to a chip in its boot loader, after a look at which chip it is."""
    about = Path(drive) / "INFO_UF2.TXT"
    if not drive or not about.is_file():
        raise WrongFileError(
            f"{drive or 'no drive given'}: not a chip's drive. Hold its BOOTSEL button while "
            "you plug it in, and name the drive that appears: "
            f"make drive DRIVE=/media/you/{DRIVE_NAME}"
        )
    names = [
        line.split(":", 1)[1].strip()
        for line in about.read_text(errors="replace").splitlines()
        if line.startswith("Board-ID:")
    ]
    if names != [DRIVE_NAME]:
        raise WrongFileError(
            f"{drive} is a chip that calls itself {', '.join(names) or 'nothing'}, not an RP2040 "
            f"({DRIVE_NAME}): this program would not start there"
        )
    (Path(drive) / "firmware.uf2").write_bytes(blocks)


def main() -> int:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("elf", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--drive")
    asked = parser.parse_args()
    try:
        blocks = uf2(flash_image(asked.elf.read_bytes()))
        asked.out.write_bytes(blocks)
        if asked.drive is not None:
            copy_to_drive(blocks, asked.drive)
            print(f"copied to {asked.drive}: the chip starts by itself")  # noqa: T201
    except (WrongFileError, OSError) as error:
        print(error, file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
