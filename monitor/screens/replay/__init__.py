"""The watch screen over a record, and the pages that say why."""
