"""sensord: tells the keeper of an outdoor rearing garden what to do, by when, and why."""
