"""The cautions that go with what we say to do: the trade's usual ones. Local codes and licensed practice come first."""

WARMING = "Never warm a cylinder with a flame, a heater or hot water, and never bring one indoors."
SMELL = (
    "If you smell gas: put out flames, touch no switch, get everyone out, leave the doors open, and call the "
    "emergency number or your supplier from outside."
)
VALVE = (
    "Before you open a valve: every burner off, every fitting tight. Turn it slowly, listen and smell; if the flow "
    "stops at once, close it, wait a minute and open it more slowly. Brush soapy water on any joint you have undone."
)
DISCONNECT = (
    "Before you undo a cylinder: every burner off, its valve closed by hand. A little gas escapes as the joint opens: "
    "no flame or spark near. Plug the valve and the hose's open end: what stays connected must not blow out there."
)
CARRY = (
    "Carry a cylinder upright, valve closed and plugged, secured, in an aired vehicle; never leave it in a parked car."
)
LOCAL = "Local codes, your supplier and a licensed fitter come before anything written here."
DETECTOR = "boiloff is no gas detector and sees no leak."

SUPPLY = (WARMING, SMELL, LOCAL, DETECTOR)
LEAK_OPEN = (
    "Open no closed valve: a leak was found, and no check since says that it is tight. A licensed fitter mends and "
    "tests it first."
)
