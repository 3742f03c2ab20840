"""The class: plan, shopping, hand-out."""
