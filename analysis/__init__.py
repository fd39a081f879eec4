"""From samples to answers about the picking stroke: pure functions, no files, clocks, devices or prints."""

PART_OF = "strokeplane"
