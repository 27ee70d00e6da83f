"""The register: women, visits, readings, referrals and the follow-up of each woman.

Data and rules only. Nothing here knows of web pages; the pages in
``cardreader.web`` call these functions.
"""
