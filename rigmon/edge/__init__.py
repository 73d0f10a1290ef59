"""The impure edge: one thread per sensor, which may only stamp and enqueue, and the hub that orders them."""
