"""An inspection in, one action and its reasons for every part out."""
