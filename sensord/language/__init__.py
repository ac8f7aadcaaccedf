"""Language: sentences in catalogues, and numbers, units and times as a person reads them.

template.py   the form of a sentence: {names} and [parts that may be left out]
messages.py   the tables of what the phone says, checked
tongue.py     English, translations, the pseudo-language
sentences.py  finds a sentence by its key and fills it
catalogue.py  all sentences of one language, with the keeper's own and those of rules from elsewhere
measure.py    writes numbers, units and times, and the sentences with them
reader.py     the same for whoever reads a message: today, tomorrow, in bricks
terminal.py   says sentences to whoever sits at a terminal
en/           the English sentences, one file for each part of the house
"""

from sensord.language.catalogue import Catalogue
from sensord.language.measure import Measure
from sensord.language.messages import CatalogueError, Text
from sensord.language.reader import Reader
from sensord.language.sentences import languages
from sensord.language.template import TEXT_LIMIT, TITLE_LIMIT, cut, template

__all__ = [
    "TEXT_LIMIT",
    "TITLE_LIMIT",
    "Catalogue",
    "CatalogueError",
    "Measure",
    "Reader",
    "Text",
    "cut",
    "languages",
    "template",
]
