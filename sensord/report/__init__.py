"""The review on paper, in pictures and for programs."""
