"""What pytest must not import: modules of another interpreter."""

collect_ignore_glob = ["micropython_desk/*"]
