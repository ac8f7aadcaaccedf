"""The page on the phone: is everything all right, and if not, what is to be done.

snapshot   a read-only connection to the store → values of one moment
words      those values → words, in the reader's units
rendering  those words → a page, or the regions of it that have changed
live       tells open pages what has changed
forms      a form → an entry, which goes to the loop as if it had come over MQTT
shared     what the routes of one garden share; app, screens, answers, sessions, weekly: the routes
door       who is let in; guard: who may look and who may write; shield: what holds for every request
"""
