"""boiloff: will the cylinders outside carry the burners through the coming cold, and for how long?"""

__version__ = "0.2.0"
