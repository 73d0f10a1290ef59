"""What the pages show, worked out from what the core makes: pure, no I/O, no clock."""
