"""What is said with every fill, in the terminal and on paper: one text for each gas.

Common practice of those who fill balloons; local rules and licensed practice come first.
"""

from windowwatch.physics.train import Gas

GAS_CAUTIONS = {
    Gas.HYDROGEN: (
        "Hydrogen burns with a flame that is hard to see and needs only the faintest spark: "
        "ventilate, bond and earth, no flames, phones or bystanders near; touch earthed metal "
        "before you touch the balloon; if a leak burns, close the valve. Local rules and "
        "trained people come first."
    ),
    Gas.HELIUM: (
        "Helium displaces the air you breathe: ventilate, and never breathe it. Secure the "
        "cylinders. Local rules and trained people come first."
    ),
}
