"""The bench page: readings entered in a browser on this machine, with the drawing and the verdict beside them.

`session.Bench` holds one print of one case and takes actions, each at most once; `live.LiveVerdict` keeps the
verdict up with the readings; `drawing` makes outlines of the coupons; `server` hands all that to a page on the
loopback interface and to nobody else.
"""
