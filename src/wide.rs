//! Loops in the widest vector registers that the processor has.
//!
//! In: an always inlined function and its arguments. A closure that is handed to [`pulp::Arch::dispatch`] may be compiled
//! on its own, for the narrowest registers; what is called by name from an always inlined method is not.

/// `wide!(arch, function(name: type = value, ...) -> output)` calls the function, which must be `#[inline(always)]`; borrowed
/// arguments have lifetime `'a`.
macro_rules! wide {
    ($arch:expr, $function:ident($($name:ident: $type:ty = $value:expr),+ $(,)?)) => {
        wide!($arch, $function($($name: $type = $value),+) -> ())
    };
    ($arch:expr, $function:ident($($name:ident: $type:ty = $value:expr),+ $(,)?) -> $output:ty) => {{
        struct Call<'a> {
            $($name: $type),+
        }
        impl<'a> pulp::NullaryFnOnce for Call<'a> {
            type Output = $output;

            #[inline(always)]
            fn call(self) -> $output {
                let Self { $($name),+ } = self;
                $function($($name),+)
            }
        }
        $arch.dispatch(Call { $($name: $value),+ })
    }};
}

pub(crate) use wide;
