"""Record, read, report: everything of strokeplane that touches files, devices and screens."""

PART_OF = "strokeplane"
