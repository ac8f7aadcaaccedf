"""What implements the ports: each module one of them, by one means."""
