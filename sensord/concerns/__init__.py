"""The life of a concern: judged by verdict after verdict, answered by the keeper, told by what the channel took."""

from sensord.concerns.answers import heard as heard
from sensord.concerns.answers import is_settled as is_settled
from sensord.concerns.answers import speaks_of as speaks_of
from sensord.concerns.delivery import delivered as delivered
from sensord.concerns.delivery import no_later_than as no_later_than
from sensord.concerns.delivery import not_said as not_said
from sensord.concerns.delivery import on_its_way as on_its_way
from sensord.concerns.delivery import owed as owed
from sensord.concerns.life import ended as ended
from sensord.concerns.life import judge as judge
from sensord.concerns.life import told_at as told_at
from sensord.concerns.telling import PROMPTLY as PROMPTLY
from sensord.concerns.telling import pause_after as pause_after
from sensord.concerns.telling import says_stay_in as says_stay_in
