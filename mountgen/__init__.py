"""From a raw scan of a recess and a short recipe to a printed part that goes in."""
