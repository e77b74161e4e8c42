"""The desk's style sheet, and the napari theme that goes with each look."""

from __future__ import annotations

from ui.desk.inks import LOOKS, Look, mixed

THEMES = {"light": "qca-light", "dark": "qca-dark"}
"""Look to the name of its napari theme."""


def register_theme_of(name: str) -> str:
    """Give napari the theme of a look, unless it has it: napari writes 160 icons per theme, a third of a second.

    Returns
    -------
    str
        The theme's name.
    """
    from napari.utils.theme import Theme, available_themes, register_theme

    theme = THEMES[name]
    if theme in available_themes():
        return theme
    look = LOOKS[name]
    made = Theme(
        id=theme,
        label=f"qca {name}",
        type=name,
        syntax_style="native" if look.dark else "default",
        canvas=look.canvas,
        console=look.field,
        background=look.panel,
        foreground=look.raised,
        primary=mixed(look.raised, look.text, 0.12),
        secondary=mixed(look.raised, look.text, 0.25),
        highlight=mixed(look.raised, look.text, 0.35),
        text=look.text,
        icon=look.text,
        warning=look.hand,
        error=look.alarm,
        current=look.accent,
        font_size="10pt",
    )
    register_theme(theme, made, "qca")
    return theme


def style_sheet(look: Look) -> str:
    """Write the style of the desk's own widgets."""
    faint = mixed(look.quiet, look.panel, 0.4)
    hover = mixed(look.raised, look.text, 0.12)
    return f"""
    QWidget#desk, QWidget#desk QWidget {{ background: {look.panel}; color: {look.text}; font-size: 12px; margin: 0; }}
    QWidget#desk QScrollArea {{ border: 0; }}
    QWidget#desk QLabel {{ background: transparent; padding: 0; }}
    QWidget#desk QLabel[quiet="yes"] {{ color: {look.quiet}; }}
    QWidget#desk QLabel[alarm="yes"] {{ color: {look.alarm}; font-weight: 600; }}
    QWidget#desk QLabel[good="yes"] {{ color: {look.good}; }}
    QWidget#desk QLabel[hand="yes"] {{ color: {look.hand}; font-weight: 600; }}
    QFrame#hint {{ background: {look.field}; border: 0; border-left: 4px solid {look.accent}; }}
    QFrame#hint QLabel {{ background: transparent; }}
    QFrame#hint QLabel#hinttext {{ font-size: 14px; font-weight: 600; }}
    QFrame#notice {{ background: {look.field}; border: 0; border-left: 4px solid {look.hand}; }}
    QFrame#notice[alarm="yes"] {{ border-left: 4px solid {look.alarm}; }}
    QFrame#notice QLabel, QFrame#notice QPushButton {{ background: transparent; }}
    QWidget#desk QPushButton {{ background: {look.raised}; color: {look.text}; border: 1px solid {look.rule};
        border-radius: 3px; padding: 4px 8px; font-size: 12px; }}
    QWidget#desk QPushButton:hover {{ background: {hover}; }}
    QWidget#desk QPushButton:disabled {{ color: {faint}; border-color: {look.panel}; }}
    QWidget#desk QPushButton:checked {{ background: {look.accent}; color: {look.on_accent};
        border-color: {look.accent}; }}
    QWidget#desk QPushButton[main="yes"] {{ background: {look.accent}; color: {look.on_accent};
        border-color: {look.accent}; font-weight: 600; }}
    QWidget#desk QPushButton[main="yes"]:disabled {{ background: {look.raised}; color: {look.quiet};
        border-color: {look.rule}; }}
    QWidget#desk QPushButton:focus, QWidget#desk QComboBox:focus, QWidget#desk QDoubleSpinBox:focus,
        QWidget#desk QSpinBox:focus {{ border: 1px solid {look.text}; }}
    QWidget#desk QRadioButton:focus, QWidget#desk QCheckBox:focus {{ color: {look.accent}; }}
    QWidget#desk QPushButton[step="yes"] {{ text-align: left; border: 0; border-radius: 0; padding: 5px 8px;
        background: {look.raised}; font-weight: 600; }}
    QWidget#desk QPushButton[step="yes"]:hover {{ background: {hover}; }}
    QWidget#desk QPushButton[step="yes"]:checked {{ background: {look.field}; color: {look.text};
        border-left: 4px solid {look.accent}; padding-left: 4px; }}
    QWidget#desk QPushButton[plain="yes"] {{ background: transparent; border: 0; padding: 1px 4px;
        color: {look.quiet}; }}
    QWidget#desk QPushButton[step="yes"]:focus, QWidget#desk QPushButton[plain="yes"]:focus {{
        border: 1px solid {look.text}; }}
    QWidget#desk QPushButton[plain="yes"]:hover {{ color: {look.text}; }}
    QWidget#desk QLineEdit, QWidget#desk QComboBox, QWidget#desk QDoubleSpinBox, QWidget#desk QSpinBox {{
        background: {look.field}; color: {look.text}; border: 1px solid {look.rule}; border-radius: 3px; padding: 3px;
        min-height: 18px; font-size: 12px; }}
    QWidget#desk QComboBox QAbstractItemView {{ background: {look.field}; color: {look.text};
        selection-background-color: {look.accent}; selection-color: {look.on_accent}; }}
    QWidget#desk QRadioButton, QWidget#desk QCheckBox {{ background: transparent; padding: 2px; }}
    QWidget#desk QTextBrowser, QWidget#desk QListWidget {{ background: {look.field}; color: {look.text};
        border: 1px solid {look.rule}; font-size: 12px; }}
    QWidget#desk QTextBrowser QWidget, QWidget#desk QListWidget QWidget {{ background: {look.field}; }}
    QWidget#desk QListWidget::item {{ padding: 2px; }}
    QWidget#desk QListWidget::item:selected {{ background: {look.accent}; color: {look.on_accent}; }}
    QWidget#desk QSlider {{ background: transparent; min-height: 18px; }}
    QWidget#desk QRangeSlider {{ qproperty-barColor: {look.accent}; }}
    QWidget#desk QSlider::groove:horizontal {{ background: {look.rule}; height: 4px; border-radius: 2px; }}
    QWidget#desk QSlider::handle:horizontal {{ background: {look.text}; width: 12px; height: 12px; margin: -4px 0;
        border-radius: 6px; }}
    QWidget#deskbody {{ background: {look.field}; }}
    QWidget#deskbody QWidget {{ background: {look.field}; }}
    QLabel#caution {{ background: {look.raised}; color: {look.text}; font-size: 11px; padding: 2px 8px; }}
    """
