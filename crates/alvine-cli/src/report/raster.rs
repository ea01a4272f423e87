//! SVG to PNG, with the built-in typeface only.

use std::sync::{Arc, OnceLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use super::ReportError;
use super::canvas::{BOLD_FACE, FACE_NAME, REGULAR_FACE};

/// Pixels of the picture for one pixel of the figure: sharp on dense screens and in print.
const PIXELS_PER_PX: f32 = 2.0;

/// Renders a figure as PNG, at two pixels for one of its own. No font of the system is asked for.
///
/// # Errors
///
/// [`ReportError::Svg`] when `svg` is no SVG document, [`ReportError::PictureSize`] when it is too large to hold,
/// [`ReportError::Png`] when it cannot be packed.
pub fn render_png(svg: &str) -> Result<Vec<u8>, ReportError> {
    let options = Options {
        font_family: FACE_NAME.to_owned(),
        fontdb: built_in_fonts(),
        ..Options::default()
    };
    let tree = Tree::from_str(svg, &options).map_err(|error| ReportError::Svg {
        cause: error.to_string(),
    })?;
    let size = tree.size().to_int_size();
    let scaled = size.scale_by(PIXELS_PER_PX).unwrap_or(size);
    let (width_px, height_px) = (scaled.width(), scaled.height());
    let mut pixmap = Pixmap::new(width_px, height_px).ok_or(ReportError::PictureSize { width_px, height_px })?;
    let scale = Transform::from_scale(PIXELS_PER_PX, PIXELS_PER_PX);
    resvg::render(&tree, scale, &mut pixmap.as_mut());
    pixmap.encode_png().map_err(|error| ReportError::Png {
        cause: error.to_string(),
    })
}

/// The two built-in faces, read once.
fn built_in_fonts() -> Arc<fontdb::Database> {
    static FONTS: OnceLock<Arc<fontdb::Database>> = OnceLock::new();
    let fonts = FONTS.get_or_init(|| {
        let mut database = fontdb::Database::new();
        database.load_font_data(REGULAR_FACE.to_vec());
        database.load_font_data(BOLD_FACE.to_vec());
        database.set_sans_serif_family(FACE_NAME);
        Arc::new(database)
    });
    Arc::clone(fonts)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_that_is_no_svg_is_refused() {
        assert!(matches!(render_png("not a picture"), Err(ReportError::Svg { .. })));
    }

    #[test]
    fn a_png_has_twice_the_pixels_of_its_figure() {
        let png = render_png(r#"<svg xmlns="http://www.w3.org/2000/svg" width="30" height="20"/>"#).unwrap();
        assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
        assert_eq!(png[16..24], [0, 0, 0, 60, 0, 0, 0, 40]);
    }
}
