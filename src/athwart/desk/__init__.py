"""The desk: a page in the browser for pictures, marks and handing over, served on this machine only.

`guard` keeps strangers out, `serve` runs it, `app` lays the addresses out, and one module each
answers for pictures, marks and handing over. Everything that reckons is elsewhere.
"""
