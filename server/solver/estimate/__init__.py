"""From marks and moves to what is known of the machine: hypotheses, filter, belief, samples of it."""
