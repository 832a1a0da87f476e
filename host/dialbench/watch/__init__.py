"""The watch screen: the dial's face live, measured against predicted. A leaf of the house."""
