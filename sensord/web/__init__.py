"""The page on the phone: is everything all right, and if not, what is to be done.

look      a read-only connection to the store → values of one moment
wording   those values → words, in the reader's units
paper     those words → a page, or the regions of it that have changed
live      tells open pages what has changed
saying    a form → an entry, which goes to the loop as if it had come over MQTT
guard     who may look and who may write
"""
