"""The browser app: one selection in four views, served from this machine.

A page is put together on the server: section, charts, plan of a slab and tables are SVG and HTML made from plain
arrays, the 3D view is rendered here and sent as pictures. Every browser session has its own choices; what was read
of the project they share.
"""
