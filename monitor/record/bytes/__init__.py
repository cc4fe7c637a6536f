"""The bytes of a record: framed entries in parts, how they are packed and gone through. FORMAT.md has them all."""
