"""A whole garden against an adverse world, from a seed: broker, disk, clock, phone, keeper; each can fail at any moment.

    python -m simulators.adversity --seeds 1000        # as many as one likes; a seed that fails prints itself
    python -m simulators.adversity --seed 4711 --tell  # that one again, event by event

The product's own loop and engine run over these edges, and `checks` holds them to their promises after every step.
"""
