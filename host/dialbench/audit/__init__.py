"""A dial over a year, before it is made: is it right, bright, sound and legible enough?

`result` makes an audit, `limits` holds it to what is asked, `facts` and `tables` tell it.
Everything is worked out with the finite Sun and with ghosts, from `dialbench.lit`.
"""
