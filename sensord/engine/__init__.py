"""The engine: the only order of things, and a pure one. `step(state, event) → (state, effects)`."""
